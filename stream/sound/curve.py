"""A gain that changes over time: known ten times a second, straight in decibels between."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from stream.sound.samples import RATE, Block

Floats = NDArray[np.floating[Any]]

STEP_S = 0.1
# Less is nothing: below the noise of 16 bit.
NOTHING_DB = -100.0


@dataclass(frozen=True)
class Curve:
    """A gain over time.

    Attributes:
        db: (N,) decibels at 0, .1, .2 … s; before and after it is as at the ends.
    """

    db: Floats

    def at(self, start: int, count: int) -> NDArray[np.float32]:
        """The factor for each of some samples at 48 kHz; 0 where the curve is at `NOTHING_DB`."""
        n = np.arange(start, start + count) / (RATE * STEP_S)
        db = np.interp(n, np.arange(len(self.db)), self.db)
        factor = np.where(db <= NOTHING_DB, 0.0, 10.0 ** (db / 20.0))
        return factor.astype(np.float32)

    def times(self, block: Block, start: int) -> Block:
        """Samples with this gain; ``start`` is the number of the first."""
        return block * self.at(start, block.shape[1])


def spread(mask: NDArray[np.bool_], before: int, after: int) -> NDArray[np.bool_]:
    """Where a mask is, or will be within ``before`` places, or was within ``after``."""
    out = mask.copy()
    for n in range(1, before + 1):
        out[:-n] |= mask[n:]
    for n in range(1, after + 1):
        out[n:] |= mask[:-n]
    return out


def ramped(db: Floats, down_per_step: float, up_per_step: float) -> Floats:
    """A curve that nowhere exceeds ``db``, falls before it has to, and rises after it may.

    Args:
        db: (N,) what is wanted.
        down_per_step: decibels by which it falls in a step at most.
        up_per_step: decibels by which it rises in a step at most.
    """
    out = db.copy()
    for i in range(1, len(out)):
        out[i] = min(out[i], out[i - 1] + up_per_step)
    for i in range(len(out) - 2, -1, -1):
        out[i] = min(out[i], out[i + 1] + down_per_step)
    return out


def smoothed(values: Floats, width: int) -> Floats:
    """A mean over ``width`` places with the weights of a Hann window; the ends are repeated."""
    if width < 2 or len(values) < 2:
        return values
    window = np.hanning(width + 2)[1:-1]
    padded = np.pad(values, (width // 2, width - 1 - width // 2), mode="edge")
    return np.convolve(padded, window / window.sum(), mode="valid")
