"""Processes that make crops while the network learns from those that are there."""

from __future__ import annotations

import multiprocessing
import os
import tempfile
from collections.abc import Iterator
from pathlib import Path
from types import TracebackType

import cv2
import numpy as np
import torch
from numpy.typing import NDArray

from models.training.chances import Chances
from models.training.crops import Wish, crops


def _start() -> None:
    torch.set_num_threads(1)
    cv2.setNumThreads(1)


def _make(job: tuple[int, Wish, Chances, Path]) -> None:
    number, wish, chances, folder = job
    made = crops(wish, chances)
    if made is not None:
        part = folder / f"{number:06}.part"
        with part.open("wb") as f:
            np.save(f, made)
        part.rename(folder / f"{number:06}.npy")


class Makers:
    """Makes crops of shots, several at once, and hands them over as they come.

    Files in a folder of their own hold what is made until it is taken: memory that processes
    share is small on some machines.
    """

    def __init__(self, wishes: list[Wish], chances: Chances, processes: int) -> None:
        self._folder = tempfile.TemporaryDirectory(prefix="crops-")
        self._kept = Path(self._folder.name)
        # One thread each, told before torch is loaded: they share the cores as they are.
        os.environ.update(OMP_NUM_THREADS="1", OPENBLAS_NUM_THREADS="1")
        self._pool = multiprocessing.get_context("spawn").Pool(processes, _start)
        jobs = [(i, wish, chances, self._kept) for i, wish in enumerate(wishes)]
        self._made = self._pool.map_async(_make, jobs, chunksize=1)

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
        self._folder.cleanup()

    @property
    def done(self) -> bool:
        """Whether all is made.

        Raises:
            Exception: what went wrong in a process.
        """
        if not self._made.ready():
            return False
        self._made.get()
        return True

    def taken(self, most: int) -> Iterator[tuple[int, NDArray[np.float16]]]:
        """What was made since: wishes' numbers and crops, at most of so many shots."""
        for path in sorted(self._kept.glob("*.npy"))[:most]:
            yield int(path.stem), np.load(path)
            path.unlink()
