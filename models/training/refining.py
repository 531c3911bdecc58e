"""Train the edge network of `models.refine`.

`python -m models.training.refining SUBJECTS... --out FOLDER [--shots 6000] [--minutes 8.5]`
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
from models.correction import refiner_from
from models.errors import PosewallError
from models.keyer import Grade
from models.refine import AFTER, Refiner
from models.training import subjects
from models.training.chances import USUAL, Chances
from models.training.crops import Wish
from models.training.learner import Learner
from models.training.losses import losses
from models.training.makers import Makers
from models.training.shelf import Shelf, room

_LIVE = 0.2
"""Share of the shots that are looked at as live frames."""
_WRITINGS = 20
_FIRST = 1500
"""Crops that the first step waits for: of fewer, each would be seen too often at first."""
_PATIENCE = 0.25
"""Share of the time after which it waits for them no longer."""


@dataclass(frozen=True)
class Run:
    """How long and how hard a training is.

    Attributes:
        shots: how many are made at most.
        steps: of learning at most.
        minutes: for all of it.
        batch: crops a step.
        rate: the highest rate of learning.
        crops: cut of each final shot: they cost little beside the shot.
        processes: that make shots.
        seed: of everything.
        keep: share of the running mean of the weights that a step leaves; less for few steps.
    """

    shots: int
    steps: int
    minutes: float
    batch: int = 24
    rate: float = 2e-3
    crops: int = 4
    processes: int = 1
    seed: int = 0
    keep: float = 0.998


def wishes(
    found: list[subjects.Named], count: int, crops: int, seed: int, validation: bool = False
) -> list[Wish]:
    """Shots of subjects in turn, each subject as often as any other.

    Args:
        found: the subjects.
        count: how many shots.
        crops: of each final shot.
        seed: of all.
        validation: whether they are to validate: the seeds of such shots are odd, others' even.
    """
    r = np.random.default_rng(seed)
    order = [i for _ in range(-(-count // len(found))) for i in r.permutation(len(found))][:count]
    grades = [Grade.LIVE if r.random() < _LIVE else Grade.FINAL for _ in order]
    return [
        Wish(
            found[i],
            2 * (seed * 1_000_000 + n) + validation,
            grade,
            1 if grade is Grade.LIVE else crops,
        )
        for n, (i, grade) in enumerate(zip(order, grades, strict=True))
    ]


@torch.no_grad()
def judged(net: Refiner, kept: Tensor) -> dict[str, float]:
    """Errors on crops, as a mean over them: before, after, and as the network expects them.

    Nothing where there is no crop yet.
    """
    if not len(kept):
        return {}
    before, after, expected = 0.0, 0.0, 0.0
    for x in torch.split(kept.float(), 8):
        said = net(x[:, :CHANNELS])
        nothing = torch.zeros_like(said)
        after += float(losses(said, x)[1]) * len(x)
        before += float(losses(nothing, x)[1]) * len(x)
        asked = (x[:, ASKED : ASKED + 1] > 0) * x[:, -1:]
        mean = (said[:, AFTER : AFTER + 1] * asked).sum() / asked.sum().clamp_min(1)
        expected += float(mean) * len(x)
    count = len(kept)
    figures = {"before": before, "after": after, "expected": expected}
    return {k: round(v / count, 5) for k, v in figures.items()}


def _read(path: Path) -> Refiner:
    try:
        return refiner_from(path.read_bytes())
    except (OSError, ValueError) as e:
        raise PosewallError(f"--begin {path}: {e}") from e


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
        begin: what is taught further; None: one that knows nothing.

    Attributes:
        order: the shots as they are to be made.
    """

    def __init__(
        self,
        found: list[subjects.Named],
        kept: list[subjects.Named],
        chances: Chances,
        run: Run,
        device: torch.device,
        out: Path,
        begin: Refiner | None = None,
    ) -> None:
        self._run, self._device, self._out, self._chances = run, device, out, chances
        self._begin = begin
        self._began = time.monotonic()
        tests = wishes(kept, max(1, min(120, run.shots // 10)), 1, 0, True) if kept else []
        learn = wishes(found, run.shots, run.crops, run.seed)
        ready = np.cumsum([w.crops for w in learn])
        most = max(run.crops, min(int(ready[-1]), room(device)))  # one shot's always find room
        self._shelf = Shelf(most, device)
        self._first = min(_FIRST, max(2 * run.batch, int(ready[-1]) // 2), most)
        # In the middle of what the first step waits for: soon, but not before all.
        at = int(np.searchsorted(ready, self._first // 2)) + 1
        self.order = [*learn[:at], *tests, *learn[at:]]
        self._tests = range(at, at + len(tests))
        self._kept = self._shelf.crops[:0]
        self._facts: dict[str, Any] = {
            "subjects": len(found),
            "kept out": len(kept),
            "run": vars(run),
            "chances": vars(chances),
            "taught before": begin is not None,
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

        Raises:
            PosewallError: shots failed, or none was made in the time.
        """
        run = self._run
        with Makers(self.order, self._chances, run.processes) as makers:
            self._fill(makers)
            net = self._taught()
            memory = torch.channels_last if self._device.type == "cuda" else torch.contiguous_format
            net = net.to(self._device, memory_format=memory)  # type: ignore[call-overload]
            learner = Learner(net, self._shelf.crops, run.batch, run.rate, run.keep)
            first = self._share()
            step, written = 0, 0
            while step < run.steps and self._share() < 1:
                if step == 10:
                    learner.record()
                if step % 50 == 0:
                    self._take(makers, 20)
                done = max((self._share() - first) / (1 - first), step / run.steps)
                rate = min(1.0, step / 200) * (0.5 + 0.5 * math.cos(math.pi * min(1.0, done)))
                pick = torch.randint(self._shelf.have, (run.batch,), generator=self._random)
                learner.step(pick, rate + 0.002)
                step += 1
                if int(done * _WRITINGS) > written:
                    written = int(done * _WRITINGS)
                    self._write(learner, step, makers)
            if not step:
                raise PosewallError(f"no time to learn is left of {run.minutes} minutes")
            if not self._facts["course"] or self._facts["course"][-1]["step"] < step:
                self._write(learner, step, makers)
        return self._facts

    def _taught(self) -> Refiner:
        """The network as it begins."""
        if self._begin is not None:
            some = self._shelf.crops[: min(self._shelf.have, 64), :CHANNELS]
            return self._begin.unfolded(some.float().cpu())
        net = Refiner(CHANNELS, FINE, learning=True)
        mean, spread = _spread(self._shelf.crops[: self._shelf.have])
        net.mean.copy_(mean)
        net.spread.copy_(spread)
        return net

    def _fill(self, makers: Makers) -> None:
        """Wait for the first crops, for a part of the time; without any, for nearly all of it."""
        while self._shelf.have < self._first and not (makers.done and not self._take(makers, 20)):
            self._take(makers, 20)
            share = self._share()
            if share >= _PATIENCE and (self._shelf.have or share >= 0.9):
                break
            time.sleep(0.05)
        if not self._shelf.have:
            raise PosewallError(
                f"no crop to learn from after {time.monotonic() - self._began:.0f} s: "
                f"{makers.count.none} shots showed no screen, {makers.count.failed} failed"
            )

    def _take(self, makers: Makers, most: int) -> int:
        """Put what was made onto the shelf; how many shots."""
        count = 0
        for number, made in makers.taken(most):
            count += 1
            here = torch.from_numpy(made).to(self._device)
            if number in self._tests:
                self._kept = torch.cat([self._kept, here])
            else:
                self._shelf.put(here)
        return count

    def _write(self, learner: Learner, step: int, makers: Makers) -> None:
        self._take(makers, 20)  # the judge may wait for some of them
        net = learner.mean()
        self._out.mkdir(parents=True, exist_ok=True)
        weights = {k: v.cpu().contiguous() for k, v in net.state_dict().items()}
        save_file(weights, self._out / "refine.safetensors.part")
        (self._out / "refine.safetensors.part").replace(self._out / "refine.safetensors")
        told = {
            "step": step,
            "crops": self._shelf.came,
            **vars(makers.count),
            "validated": len(self._kept),
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
    p.add_argument("--out", type=Path, required=True, help="folder for the weights")
    p.add_argument("--shots", type=int, default=6000)
    p.add_argument("--steps", type=int, default=60_000)
    p.add_argument("--minutes", type=float, default=8.5, help="for all of it")
    p.add_argument("--processes", type=int, default=max(1, (os.cpu_count() or 2) - 2))
    p.add_argument("--crops", type=int, default=Run.crops, help="of each final shot")
    p.add_argument("--batch", type=int, default=24)
    p.add_argument("--rate", type=float, default=Run.rate, help="the highest rate of learning")
    p.add_argument("--begin", type=Path, help="weights of an edge network to teach further")
    p.add_argument("--seed", type=int, default=0)
    p.add_argument("--every-other", action="store_true", help="keep half of the subjects out")
    p.add_argument("--without", nargs="*", default=[], help="kinds of chance that do not come")
    p.add_argument("--keep", type=float, default=Run.keep, help="of the weights' running mean")
    p.add_argument(
        "--chance", nargs="*", default=[], metavar="NAME=SHARE", help="chances other than usual"
    )
    p.add_argument("--device", default="cuda" if torch.cuda.is_available() else "cpu")
    args = p.parse_args()
    run = Run(
        args.shots,
        args.steps,
        args.minutes,
        batch=args.batch,
        rate=args.rate,
        crops=args.crops,
        processes=args.processes,
        seed=args.seed,
        keep=args.keep,
    )
    try:
        learn = subjects.taken(args.subjects, args.every_other)
        kept = [s for s in subjects.found(args.subjects) if subjects.held_out(s[1])]
        chances = USUAL.having(*args.chance).without(*args.without)
        begin = _read(args.begin) if args.begin else None
        Training(learn, kept, chances, run, torch.device(args.device), args.out, begin)()
    except PosewallError as e:
        print(e, file=sys.stderr)
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main())
