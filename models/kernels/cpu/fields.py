"""The smooth fields of a frame, value beside value, and what lies between their values."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from models.kernels.cpu.compiled import kernel

Floats = NDArray[np.float32]

_ZERO = np.float32(0)


@kernel(
    "void(f4[:,:,::1], f4[:,::1], f4[:,::1], f4[:,::1], f4[:,:,::1], f4[:,:,::1], f4[:,::1],"
    "f4[:,:,::1], f4[:,:,::1], i8, i8, i8, i8)"
)
def pack(
    color: Floats, near: Floats, solid: Floats, held: Floats, front: Floats, around: Floats,
    weights: Floats, plain: Floats, wide: Floats, top: int, bottom: int, left: int, right: int,
) -> None:  # fmt: skip
    """Lay fields value beside value; ``weights`` (20, 24), the bias last."""
    height, width = near.shape
    some = np.zeros(width, np.bool_)
    for y in range(top, bottom):
        above, below = max(y - 1, 0), min(y + 1, height - 1)
        for x in range(left, right):
            some[x] = near[above, x] > 0 or near[y, x] > 0 or near[below, x] > 0
        for x in range(left, right):
            for c in range(3):
                plain[y, x, c] = color[c, y, x]
            plain[y, x, 3] = near[y, x]
            plain[y, x, 4] = solid[y, x]
            plain[y, x, 5] = held[y, x]
            plain[y, x, 6] = around[17, y, x]
            plain[y, x, 7] = _ZERO
        # Values that nobody looks at stay what they were.
        for x in range(left, right):
            if some[x] or some[max(x - 1, left)] or some[min(x + 1, right - 1)]:
                hidden = wide[y, x]
                for k in range(24):
                    hidden[k] = weights[19, k]
                for c in range(0, 18, 3):
                    a, b, d = around[c, y, x], around[c + 1, y, x], around[c + 2, y, x]
                    for k in range(24):
                        hidden[k] += (
                            a * weights[c, k] + b * weights[c + 1, k] + d * weights[c + 2, k]
                        )
                a = around[18, y, x]
                for k in range(24):
                    hidden[k] += a * weights[18, k]
                for c in range(3):
                    wide[y, x, 24 + c] = front[c, y, x]


@kernel()
def vertical(field: Floats, y: int, by: Any, first: int, last: int, line: Floats) -> None:
    """A row between two rows of a field, one value beyond its end."""
    below, end = min(y + 1, field.shape[0] - 1), min(last, field.shape[1])
    for x in range(first, end):
        for c in range(field.shape[2]):
            here = field[y, x, c]
            line[x, c] = here + by * (field[below, x, c] - here)
    if last > end:
        for c in range(field.shape[2]):
            line[end, c] = line[end - 1, c]


@kernel()
def across(
    line: Floats, x: int, by: Any, more: Floats, other: int, more_by: Any, out: Floats
) -> None:
    """Between two values of a row of the wide field, with what the shapes add to it."""
    a, b = np.uint64(x), np.uint64(x + 1)
    p, q = np.uint64(other), np.uint64(other + 1)
    for c in range(24):
        here, there = line[a, c], more[p, c]
        out[c] = (here + by * (line[b, c] - here)) + (there + more_by * (more[q, c] - there))
    for c in range(24, 32):
        here = line[a, c]
        out[c] = here + by * (line[b, c] - here)
