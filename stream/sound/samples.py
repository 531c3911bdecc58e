"""Stereo sound as blocks of samples, and a place on disk for more of it than memory should hold."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from pathlib import Path
from types import TracebackType
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

# The sample rate of films: that of AAC in video, and of every meter below (common practice).
RATE = 48_000
# Samples that are worked on at once: a second.
BLOCK = RATE

# (2, N) float32, left and right, 1 is full scale.
Block: TypeAlias = NDArray[np.float32]


class Spool:
    """Stereo samples in a file without a name, which is gone with the process whatever happens.

    Attributes:
        samples: how many there are.
    """

    def __init__(self, folder: Path) -> None:
        """Make an empty one.

        Args:
            folder: on whose disk it lies.

        Raises:
            OSError: the disk does not take it.
        """
        self._file = tempfile.TemporaryFile(dir=folder)  # noqa: SIM115  closed by `close`
        self.samples = 0

    def append(self, block: Block) -> None:
        """Add samples at the end.

        Args:
            block: (2, N) float32.

        Raises:
            OSError: the disk is full.
        """
        self._file.seek(self.samples * 8)
        self._file.write(np.ascontiguousarray(block.T, np.float32).tobytes())
        self.samples += block.shape[1]

    def silence(self, count: int) -> None:
        """Add so many samples of nothing at the end."""
        while count > 0:
            part = min(count, BLOCK)
            self.append(np.zeros((2, part), np.float32))
            count -= part

    def read(self, start: int, count: int) -> Block:
        """Samples from a place on; what lies before the first or after the last is silence.

        Returns:
            (2, ``count``) float32.
        """
        block = np.zeros((count, 2), np.float32)
        low, high = max(0, start), min(self.samples, start + count)
        if low < high:
            self._file.seek(low * 8)
            data = self._file.read((high - low) * 8)
            block[low - start : high - start] = np.frombuffer(data, np.float32).reshape(-1, 2)
        return np.ascontiguousarray(block.T)

    def blocks(self, start: int = 0, stop: int | None = None) -> Iterator[Block]:
        """All samples in a row, or those from ``start`` to ``stop``, a second at a time."""
        stop = self.samples if stop is None else stop
        for at in range(start, stop, BLOCK):
            yield self.read(at, min(BLOCK, stop - at))

    def close(self) -> None:
        """Let go of the samples."""
        self._file.close()

    def __enter__(self) -> Spool:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()
