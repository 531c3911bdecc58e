"""The weights of an antialiased reduction along one axis.

Source: torch's ``interpolate(mode="bilinear", antialias=True)``, a triangle as wide as the
reduction, its weights normalised.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float32]
Taps = tuple[NDArray[np.int32], Floats]
"""The first sample that each output looks at, and the weights of it and of those after it."""


@lru_cache(maxsize=64)
def _triangle(have: int, want: int) -> Taps:
    """The first sample that each output looks at, and its weights, as many for each."""
    ratio = have / want
    reach = max(ratio, 1.0)
    middle = (np.arange(want) + 0.5) * ratio
    start = np.maximum((middle - reach + 0.5).astype(np.int64), 0)
    stop = np.minimum((middle + reach + 0.5).astype(np.int64), have)
    taps = int((stop - start).max())
    begin = np.minimum(start, have - taps)
    at = begin[:, None] + np.arange(taps)
    weight = np.maximum(0, 1 - np.abs(at + 0.5 - middle[:, None]) / reach)
    weight[(at < start[:, None]) | (at >= stop[:, None])] = 0
    weight /= weight.sum(1, keepdims=True)
    return begin.astype(np.int32), weight.astype(np.float32)


def weights(have: int, want: int, part: slice) -> Taps:
    """What a part of the outputs looks at, of ``want`` made of ``have`` samples."""
    begin, weight = _triangle(have, want)
    return begin[part], weight[part]


def one_column(have: int) -> Taps:
    """As `models.resample.resize` makes one column: the mean of two."""
    begin, weight = _triangle(have, 2)
    out = np.zeros((1, have), np.float32)
    for at, row in zip(begin, weight, strict=True):
        out[0, at : at + len(row)] += row / 2
    return np.zeros(1, np.int32), out


def turned_round(begin: NDArray[np.int32], weight: Floats, have: int) -> Taps:
    """The same filter along an axis that is read backwards."""
    back = (have - weight.shape[1] - begin)[::-1]
    return np.ascontiguousarray(back), np.ascontiguousarray(weight[::-1, ::-1])
