"""Rows of a frame beside what its smooth fields say of each pixel; as in `models.matte.ask`."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from models.color import LUMA_WEIGHTS, Matrix
from models.kernels.cpu.compiled import kernel

Floats = NDArray[np.float32]
Ints = NDArray[np.int32]

_KR, _KB = (np.float32(w) for w in LUMA_WEIGHTS[Matrix.BT709])
_KG = np.float32(1) - _KR - _KB
_ONE, _THOUSANDTH = np.float32(1), np.float32(1e-3)


@kernel()
def reach_of(row: int, near: Floats, columns: Ints, width: int) -> tuple[Any, Any]:
    """The columns of a row of pixels outside of which none is near the subject."""
    low, high = -1, -1
    other = min(row + 1, near.shape[0] - 1)
    for x in range(near.shape[1]):
        if near[row, x] > 0 or near[other, x] > 0:
            if low < 0:
                low = x
            high = x
    if low < 0:
        return 0, 0
    first = np.searchsorted(columns[:width], low - 1)
    last = np.searchsorted(columns[:width], high, "right")
    return first, last


@kernel()
def _differ(
    known: Floats, keys: Floats, first: Floats, second: Floats, key: int, rough: Floats
) -> None:
    """The normalised colour difference of a row."""
    other = 3 - key
    for j in range(rough.size):
        a, b = known[j, 0], known[j, other]
        own = known[j, key] - (a if a > b else b)
        own = own if own > _THOUSANDTH else _THOUSANDTH
        a, b = first[j], second[j]
        seen = keys[j] - (a if a > b else b)
        rough[j] = (_ONE - seen / own) * (_ONE - known[j, 5])


@kernel()
def _lighten(red: Floats, green: Floats, blue: Floats, luma: Floats) -> None:
    for j in range(luma.size):
        luma[j] = _KR * red[j] + _KG * green[j] + _KB * blue[j]


@kernel()
def look(
    r: int, lo: int, hi: int, shown: Floats, plain: Floats, row_at: Ints, row_by: Floats,
    column_at: Ints, column_by: Floats, key: int, line: Floats, known: Floats, rough: Floats,
    luma: Floats,
) -> None:  # fmt: skip
    """What the fields say at each pixel of a row, its normalised difference, its luminance."""
    y, by = row_at[r], row_by[r]
    below = min(y + 1, plain.shape[0] - 1)
    first, last = column_at[lo], min(column_at[hi - 1] + 2, plain.shape[1])
    for x in range(first, last):
        for c in range(8):
            here = plain[y, x, c]
            line[x, c] = here + by * (plain[below, x, c] - here)
    if last == plain.shape[1]:
        for c in range(8):
            line[last, c] = line[last - 1, c]
    for j in range(lo, hi):
        x, f = column_at[j], column_by[j]
        for c in range(8):
            here = line[x, c]
            known[j, c] = here + f * (line[x + 1, c] - here)
    _differ(known[lo:hi], shown[key], shown[0], shown[3 - key], key, rough[lo:hi])
    _lighten(shown[0], shown[1], shown[2], luma[lo:hi])
