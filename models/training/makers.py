"""Processes that make crops while the network learns from those that are there."""

from __future__ import annotations

import multiprocessing
import os
import sys
import tempfile
import time
import traceback
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType

import cv2
import numpy as np
import torch
from numpy.typing import NDArray

from models.errors import PosewallError
from models.training.chances import Chances
from models.training.crops import Wish, crops

BACKLOG = 400
"""Files that may wait to be taken: of 4 crops each they are 8 GB."""
_FEW, _SHARE = 5, 0.01
"""More failed shots than both end a training."""


@dataclass
class Count:
    """How shots went.

    Attributes:
        made: gave crops.
        none: showed no screen, or nothing to ask about.
        failed: ended in an error.
    """

    made: int = 0
    none: int = 0
    failed: int = 0


@dataclass(frozen=True)
class _Outcome:
    """Of one shot: whether it gave crops; of what failed, where it did and what was said."""

    number: int
    made: bool = False
    where: str = ""
    said: str = ""


def alone() -> None:
    """Let this process use one core: the others are for its like."""
    torch.set_num_threads(1)
    cv2.setNumThreads(1)


def wait_for_room(folder: Path) -> None:
    """Wait until fewer than `BACKLOG` files lie there; end where nobody is left to take them."""
    parent = multiprocessing.parent_process()
    while len(list(folder.glob("*.npy"))) >= BACKLOG:
        if parent is not None and not parent.is_alive():
            sys.exit(1)
        time.sleep(0.1)


def _make(job: tuple[int, Wish, Chances, Path]) -> _Outcome:
    number, wish, chances, folder = job
    wait_for_room(folder)
    try:
        made = crops(wish, chances)
        if made is None:
            return _Outcome(number)
        part = folder / f"{number:06}.part"
        with part.open("wb") as f:
            np.save(f, made)
        part.rename(folder / f"{number:06}.npy")
    except Exception as e:  # noqa: BLE001 - told and counted where the network learns
        last = traceback.extract_tb(e.__traceback__)[-1]
        where = f"{type(e).__name__} in {Path(last.filename).name}, line {last.lineno}"
        return _Outcome(number, where=where, said=str(e))
    return _Outcome(number, made=True)


class Makers:
    """Makes crops of shots, several at once, and hands them over as they come.

    Files in a folder of their own hold what is made until it is taken: memory that processes
    share is small on some machines.

    Attributes:
        count: how the shots went that are known of.
        folder: where the crops lie that are not yet taken.
    """

    def __init__(self, wishes: list[Wish], chances: Chances, processes: int) -> None:
        self.count = Count()
        self._wishes = wishes
        self._told: set[str] = set()
        self._holds = tempfile.TemporaryDirectory(prefix="crops-")
        self.folder = Path(self._holds.name)
        # One thread each, told before torch is loaded: they share the cores as they are.
        os.environ.update(OMP_NUM_THREADS="1", OPENBLAS_NUM_THREADS="1")
        self._pool = multiprocessing.get_context("spawn").Pool(processes, alone)
        jobs = [(i, wish, chances, self.folder) for i, wish in enumerate(wishes)]
        self._outcomes = self._pool.imap_unordered(_make, jobs, chunksize=1)

    def __enter__(self) -> Makers:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        value: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._pool.terminate()
        self._pool.join()
        self._holds.cleanup()

    @property
    def done(self) -> bool:
        """Whether all shots are made; never, where a process was killed with one in hand.

        Raises:
            PosewallError: more than one shot in a hundred, and more than five, failed.
        """
        self._look()
        count = self.count
        return count.made + count.none + count.failed == len(self._wishes)

    def _look(self) -> None:
        """Count what has ended since."""
        while True:
            try:
                outcome = self._outcomes.next(timeout=0)
            except (StopIteration, multiprocessing.TimeoutError):
                return
            if not outcome.where:
                self.count.made += outcome.made
                self.count.none += not outcome.made
                continue
            self.count.failed += 1
            wish = self._wishes[outcome.number]
            told = f"shot {wish.seed} of {wish.who[1]}: {outcome.where}: {outcome.said}"
            if outcome.where not in self._told:
                self._told.add(outcome.where)
                print(told, file=sys.stderr, flush=True)
            ended = self.count.made + self.count.none + self.count.failed
            if self.count.failed > max(_FEW, _SHARE * ended):
                raise PosewallError(
                    f"{self.count.failed} of {ended} shots failed; the last: {told}"
                )

    def taken(self, most: int) -> Iterator[tuple[int, NDArray[np.float16]]]:
        """What was made since: wishes' numbers and crops, at most of so many shots.

        Raises:
            PosewallError: as `done`.
        """
        self._look()
        for path in sorted(self.folder.glob("*.npy"))[:most]:
            yield int(path.stem), np.load(path)
            path.unlink()
