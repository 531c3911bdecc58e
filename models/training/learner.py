"""Steps of learning; on a GPU recorded once and replayed, since they are many and small."""

from __future__ import annotations

import sys

import torch
from torch import Tensor
from torch.optim.swa_utils import get_ema_multi_avg_fn

from models.refine import Refiner
from models.training.losses import losses


def turned(x: Tensor) -> Tensor:
    """Crops mirrored, stood on their heads or transposed by chance, each by itself.

    Args:
        x: (B, C, H, H) float.
    """
    for chance, axes in ((0.5, (-1,)), (0.15, (-2,))):
        one = torch.rand(len(x), 1, 1, 1, device=x.device) < chance
        x = torch.where(one, x.flip(axes), x)
    one = torch.rand(len(x), 1, 1, 1, device=x.device) < 0.15
    return torch.where(one, x.transpose(-1, -2), x)


class Learner:
    """Teaches a network.

    Attributes:
        net: the network as it learns.
        recorded: whether steps are replayed.
    """

    def __init__(self, net: Refiner, shelf: Tensor, batch: int, rate: float, keep: float) -> None:
        """Make one.

        Args:
            net: on its device, in training mode.
            shelf: (N, `crops.TOTAL`, H, W), where the crops lie, or will.
            batch: crops a step.
            rate: the highest rate of learning.
            keep: share of the running mean of the weights that a step leaves.
        """
        self.net, self.recorded = net, False
        self._shelf, self._highest = shelf, rate
        device = shelf.device
        self._cuda = device.type == "cuda"
        self._pick = torch.zeros(batch, dtype=torch.int64, device=device)
        self._rate = torch.tensor(rate, device=device)
        self._off = torch.zeros((), device=device)
        self._since = 0
        self._optimiser = torch.optim.AdamW(
            net.parameters(), lr=self._rate, weight_decay=0.01, capturable=self._cuda
        )
        self._now = [*net.parameters(), *(b for b in net.buffers() if b.is_floating_point())]
        self._mean = [x.detach().clone() for x in self._now]
        self._follow = get_ema_multi_avg_fn(keep)  # type: ignore[no-untyped-call]
        self._graph: torch.cuda.CUDAGraph | None = None

    def _step(self) -> None:
        x = turned(self._shelf.index_select(0, self._pick))
        if self._cuda:
            x = x.to(memory_format=torch.channels_last)
        with torch.autocast(self._shelf.device.type, torch.bfloat16, self._cuda, False):
            said = self.net(x[:, : self.net.channels].float())
        loss, off = losses(said.float(), x.float())
        self._optimiser.zero_grad(set_to_none=True)
        loss.backward()  # type: ignore[no-untyped-call]
        torch.nn.utils.clip_grad_norm_(self.net.parameters(), 1.0, foreach=True)
        self._optimiser.step()
        with torch.no_grad():
            self._off += off
            self._follow(self._mean, [x.detach() for x in self._now], 0)

    def step(self, pick: Tensor, share: float) -> None:
        """Learn from some crops.

        Args:
            pick: (batch,) int64, which.
            share: of the highest rate.
        """
        self._pick.copy_(pick, non_blocking=True)
        self._rate.fill_(self._highest * share)
        self._since += 1
        if self._graph is not None:
            self._graph.replay()
        else:
            self._step()

    def record(self) -> None:
        """Record a step, to be replayed from now on; call after a few plain ones, on a GPU."""
        if not self._cuda:
            return
        try:
            aside = torch.cuda.Stream()  # type: ignore[no-untyped-call]
            aside.wait_stream(torch.cuda.current_stream())
            with torch.cuda.stream(aside):
                for _ in range(3):
                    self._step()
            torch.cuda.current_stream().wait_stream(aside)
            graph = torch.cuda.CUDAGraph()
            self._optimiser.zero_grad(set_to_none=True)
            with torch.cuda.graph(graph):
                self._step()
            self._off.zero_()
            self._since = 0
            self._graph, self.recorded = graph, True
        except RuntimeError as e:
            print(f"steps are not recorded: {e}", file=sys.stderr, flush=True)

    def course(self) -> float:
        """Mean error of alpha since it was asked last."""
        off = float(self._off) / max(1, self._since)
        self._off.zero_()
        self._since = 0
        return off

    @torch.no_grad()
    def mean(self) -> Refiner:
        """The running mean of the network, folded, ready for use."""
        here = [x.detach().clone() for x in self._now]
        for x, mean in zip(self._now, self._mean, strict=True):
            x.detach().copy_(mean)
        out = self.net.folded().eval().to(self._shelf.device)
        for x, mine in zip(self._now, here, strict=True):
            x.detach().copy_(mine)
        return out
