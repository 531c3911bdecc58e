"""Train the edge network of `models.refine`.

`python -m models.training.refining SUBJECTS... [--shots 6000] [--steps 60000] [--minutes 8.5]`
makes shots in processes of their own while the network learns from those that are there, and writes
the weights and the course of its error, on what it learns from and on subjects kept out of it,
twenty times on the way.
"""

from __future__ import annotations

import argparse
import json
import math
import os
import sys
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import torch
from safetensors.torch import save_file
from torch import Tensor

from models.basis import ASKED, CHANNELS, FINE
from models.keyer import Grade
from models.refine import Refiner
from models.training import subjects
from models.training.chances import USUAL, Chances
from models.training.crops import SIDE, TOTAL, Wish
from models.training.learner import Learner
from models.training.losses import losses
from models.training.makers import Makers

_LIVE = 0.2
"""Share of the shots that are looked at as live frames."""
_WRITINGS = 20


@dataclass(frozen=True)
class Run:
    """How long and how hard a training is.

    Attributes:
        shots: how many are made at most.
        steps: of learning at most.
        minutes: for all of it.
        batch: crops a step.
        rate: the highest rate of learning.
        crops: cut of each shot.
        processes: that make shots.
        seed: of everything.
    """

    shots: int
    steps: int
    minutes: float
    batch: int = 24
    rate: float = 2e-3
    crops: int = 2
    processes: int = 1
    seed: int = 0


def wishes(found: list[subjects.Named], count: int, crops: int, seed: int) -> list[Wish]:
    """Shots of subjects in turn, each subject as often as any other."""
    r = np.random.default_rng(seed)
    order = [i for _ in range(-(-count // len(found))) for i in r.permutation(len(found))][:count]
    grades = [Grade.LIVE if r.random() < _LIVE else Grade.FINAL for _ in order]
    return [
        Wish(found[i], seed * 1_000_000 + n, grade, 1 if grade is Grade.LIVE else crops)
        for n, (i, grade) in enumerate(zip(order, grades, strict=True))
    ]


@torch.no_grad()
def judged(net: Refiner, kept: Tensor) -> dict[str, float]:
    """Errors on crops, as a mean over them: before, after, and as the network expects them."""
    before, after, expected = 0.0, 0.0, 0.0
    for x in torch.split(kept.float(), 8):
        said = net(x[:, :CHANNELS])
        nothing = torch.zeros_like(said)
        after += float(losses(said, x)[1]) * len(x)
        before += float(losses(nothing, x)[1]) * len(x)
        asked = (x[:, ASKED : ASKED + 1] > 0) * x[:, -1:]
        expected += float((said[:, 4:5] * asked).sum() / asked.sum().clamp_min(1)) * len(x)
    count = max(1, len(kept))
    figures = {"before": before, "after": after, "expected": expected}
    return {k: round(v / count, 5) for k, v in figures.items()}


def _spread(shelf: Tensor) -> tuple[Tensor, Tensor]:
    some = shelf[:200, :CHANNELS].float()
    return some.mean((0, 2, 3)), some.std((0, 2, 3)).clamp_min(0.05)


class Training:
    """One run; see the module.

    Args:
        found: subjects to learn from.
        kept: subjects kept out.
        chances: of what happens in a shot.
        run: how long.
        device: where the network learns.
        out: folder for the weights.
    """

    def __init__(
        self,
        found: list[subjects.Named],
        kept: list[subjects.Named],
        chances: Chances,
        run: Run,
        device: torch.device,
        out: Path,
    ) -> None:
        self._run, self._device, self._out = run, device, out
        self._began = time.monotonic()
        tests = wishes(kept, max(1, min(120, run.shots // 10)), 1, 77) if kept else []
        self._wishes = [*tests, *wishes(found, run.shots, run.crops, run.seed + 1)]
        self._tests, self._chances = len(tests), chances
        room = sum(w.crops for w in self._wishes[self._tests :])
        self._shelf = torch.zeros(room, TOTAL, SIDE, SIDE, dtype=torch.float16, device=device)
        self._kept: Tensor = self._shelf[:0]
        self._have = 0
        self._facts: dict[str, Any] = {
            "subjects": len(found),
            "kept out": len(kept),
            "seed": run.seed,
            "torch": torch.__version__,
            "course": [],
        }
        torch.manual_seed(run.seed)
        self._random = torch.Generator().manual_seed(run.seed)

    def _share(self) -> float:
        """How much of the time is gone."""
        return (time.monotonic() - self._began) / (60 * self._run.minutes)

    def __call__(self) -> dict[str, Any]:
        """Train.

        Returns:
            The facts that are written beside the weights.
        """
        run = self._run
        with Makers(self._wishes, self._chances, run.processes) as makers:
            self._fill(makers, 2 * run.batch)
            net = Refiner(CHANNELS, FINE, learning=True)
            mean, spread = _spread(self._shelf[: self._have])
            net.mean.copy_(mean)
            net.spread.copy_(spread)
            memory = torch.channels_last if self._device.type == "cuda" else torch.contiguous_format
            net = net.to(self._device, memory_format=memory)  # type: ignore[call-overload]
            learner = Learner(net, self._shelf, run.batch, run.rate)
            first = self._share()
            step, written = 0, 0
            while step < run.steps and self._share() < 1:
                if step == 10:
                    learner.record()
                if step % 50 == 0:
                    self._take(makers, 20)
                done = max((self._share() - first) / (1 - first), step / run.steps)
                rate = min(1.0, step / 200) * (0.5 + 0.5 * math.cos(math.pi * min(1.0, done)))
                pick = torch.randint(self._have, (run.batch,), generator=self._random)
                learner.step(pick, rate + 0.002)
                step += 1
                if done * _WRITINGS >= written + 1:
                    written += 1
                    self._write(learner, step)
            self._write(learner, step)
        return self._facts

    def _fill(self, makers: Makers, least: int) -> None:
        """Wait for the first crops."""
        while self._have < least and not (makers.done and not self._take(makers, 20)):
            self._take(makers, 20)
            time.sleep(0.05)
        if not self._have:
            raise RuntimeError("no shot showed a screen")

    def _take(self, makers: Makers, most: int) -> int:
        """Put what was made onto the shelf; how many shots."""
        count = 0
        for number, made in makers.taken(most):
            count += 1
            here = torch.from_numpy(made).to(self._device)
            if number < self._tests:
                self._kept = torch.cat([self._kept, here])
            else:
                self._shelf[self._have : self._have + len(here)] = here
                self._have += len(here)
        return count

    def _write(self, learner: Learner, step: int) -> None:
        net = learner.mean()
        self._out.mkdir(parents=True, exist_ok=True)
        weights = {k: v.cpu().contiguous() for k, v in net.state_dict().items()}
        save_file(weights, self._out / "refine.safetensors.part")
        (self._out / "refine.safetensors.part").replace(self._out / "refine.safetensors")
        told = {
            "step": step,
            "crops": self._have,
            "seconds": round(time.monotonic() - self._began),
            "error": round(learner.course(), 5),
            **judged(net, self._kept),
        }
        self._facts["course"].append(told)
        self._facts["recorded"] = learner.recorded
        (self._out / "refine.json").write_text(json.dumps(self._facts) + "\n")
        print(json.dumps(told), file=sys.stderr, flush=True)


def main() -> int:
    """See the module."""
    p = argparse.ArgumentParser(description="Train the edge network.")
    p.add_argument("subjects", type=Path, nargs="+", help="folders of rendered subjects")
    p.add_argument("--out", type=Path, default=Path(__file__).parents[1] / "weights")
    p.add_argument("--shots", type=int, default=6000)
    p.add_argument("--steps", type=int, default=60_000)
    p.add_argument("--minutes", type=float, default=8.5, help="for all of it")
    p.add_argument("--processes", type=int, default=max(1, (os.cpu_count() or 2) - 2))
    p.add_argument("--batch", type=int, default=24)
    p.add_argument("--seed", type=int, default=0)
    p.add_argument("--every-other", action="store_true", help="keep half of the subjects out")
    p.add_argument("--without", nargs="*", default=[], help="kinds of chance that do not come")
    p.add_argument("--device", default="cuda" if torch.cuda.is_available() else "cpu")
    args = p.parse_args()
    everyone = subjects.found(args.subjects)
    learn = [s for s in everyone if not subjects.held_out(s[1])]
    kept = [s for s in everyone if subjects.held_out(s[1])]
    learn = learn[1 if args.every_other else 0 :: 1 + args.every_other]
    run = Run(
        args.shots,
        args.steps,
        args.minutes,
        batch=args.batch,
        processes=args.processes,
        seed=args.seed,
    )
    chances = USUAL.without(*args.without)
    Training(learn, kept, chances, run, torch.device(args.device), args.out)()
    return 0


if __name__ == "__main__":
    sys.exit(main())
