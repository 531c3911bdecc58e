"""Neighbourhoods of small fields; as `models.pyramid`.

Fields are (h, w) float32, masks (h, w) uint8. Every loop runs along one row with one output, since
that is what the compiler turns into vector code. Constants are float32: numba takes a literal for
float64 and would compute in that. Kernels call few others: a call from Python costs half a
microsecond, and what is compiled into another is compiled again with it.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from models.kernels.cpu.compiled import kernel
from models.kernels.cpu.ranking import f4

Array = Any

_QUARTER, _HALF = f4(0.25), f4(0.5)
_ZERO, _ONE, _FOUR = f4(0), f4(1), f4(4)
_SIXTEENTH, _MOST = f4(1 / 16), f4(6 / 16)
_TINY = f4(1e-8)


@kernel()
def mirrored(i: int, n: int) -> int:
    """Where the value two past an end of ``n`` is found; the outermost is repeated first."""
    i = -1 - i if i < 0 else i
    i = 2 * n - 1 - i if i >= n else i
    return max(i, 0)


@kernel("void(f4[:,::1], f4[:,::1], f4[:,::1])")
def soften(src: Array, between: Array, out: Array) -> None:
    """A field's 3x3 binomial blur, the edge repeated; ``out`` may be ``src``."""
    h, w = src.shape
    for y in range(h):
        row, to = src[y], between[y]
        for x in range(1, w - 1):
            to[x] = _QUARTER * (row[x - 1] + row[x + 1]) + _HALF * row[x]
        to[0] = _QUARTER * (row[0] + row[min(1, w - 1)]) + _HALF * row[0]
        to[w - 1] = _QUARTER * (row[max(w - 2, 0)] + row[w - 1]) + _HALF * row[w - 1]
    for y in range(h):
        above, row, below = between[max(y - 1, 0)], between[y], between[min(y + 1, h - 1)]
        to = out[y]
        for x in range(w):
            to[x] = _QUARTER * (above[x] + below[x]) + _HALF * row[x]


@kernel("void(f4[:,::1], f4[:,::1], f4[:,::1])")
def soften_twice(src: Array, between: Array, out: Array) -> None:
    """`soften` and again, in one: five values each way, mirrored past the edge."""
    h, w = src.shape
    for y in range(h):
        row, to = src[y], between[y]
        for x in range(2, w - 2):
            near, far = row[x - 1] + row[x + 1], row[x - 2] + row[x + 2]
            to[x] = _SIXTEENTH * far + _QUARTER * near + _MOST * row[x]
        for i in range(min(w, 4)):
            x = i if i < 2 else w - min(w, 4) + i
            near = row[max(x - 1, 0)] + row[min(x + 1, w - 1)]
            far = row[mirrored(x - 2, w)] + row[mirrored(x + 2, w)]
            to[x] = _SIXTEENTH * far + _QUARTER * near + _MOST * row[x]
    for y in range(h):
        above, row, below = between[max(y - 1, 0)], between[y], between[min(y + 1, h - 1)]
        first, last, to = between[mirrored(y - 2, h)], between[mirrored(y + 2, h)], out[y]
        for x in range(w):
            near, far = above[x] + below[x], first[x] + last[x]
            to[x] = _SIXTEENTH * far + _QUARTER * near + _MOST * row[x]


@kernel()
def count_across(row: Array, to: Array) -> None:
    """Four times the binomial blur along a row of whole numbers, the ends repeated."""
    w = row.size
    for x in range(1, w - 1):
        to[x] = row[x - 1] + row[x + 1] + row[x] + row[x]
    to[0] = 3 * row[0] + row[min(1, w - 1)]
    to[w - 1] = row[max(w - 2, 0)] + 3 * row[w - 1]


@kernel("void(u1[:,::1], u1[:,::1], u1[:,::1])")
def soften_counts(src: Array, between: Array, out: Array) -> None:
    """Sixteen times the 3x3 binomial blur of a mask, exactly."""
    h, w = src.shape
    for y in range(h):
        count_across(src[y], between[y])
    for y in range(h):
        above, row, below = between[max(y - 1, 0)], between[y], between[min(y + 1, h - 1)]
        to = out[y]
        for x in range(w):
            to[x] = above[x] + below[x] + row[x] + row[x]


def _extreme(largest: bool) -> Any:
    """The kernel that finds the largest values of squares, or the smallest."""

    def extreme(src: Array, radius: int, between: Array, out: Array) -> None:
        h, w = src.shape
        take = src
        for _ in range(radius):
            for y in range(h):
                row, to = take[y], between[y]
                for x in range(1, w - 1):
                    a = row[x - 1] if (row[x - 1] > row[x + 1]) == largest else row[x + 1]
                    to[x] = a if (a > row[x]) == largest else row[x]
                for x in (0, w - 1):
                    other = row[max(x - 1, 0)] if x else row[min(1, w - 1)]
                    to[x] = other if (other > row[x]) == largest else row[x]
            for y in range(h):
                above, row, below = between[max(y - 1, 0)], between[y], between[min(y + 1, h - 1)]
                to = out[y]
                for x in range(w):
                    a = above[x] if (above[x] > below[x]) == largest else below[x]
                    to[x] = a if (a > row[x]) == largest else row[x]
            take = out

    kinds = (f"void({kind}[:,::1], i8, {kind}[:,::1], {kind}[:,::1])" for kind in ("f4", "u1"))
    return kernel(*kinds)(extreme)


grow, shrink = _extreme(True), _extreme(False)
"""The largest, and the smallest, over a square of ``2 radius + 1`` of a field or a mask, in steps
of one pixel: ``(src, radius, between, out)``; radius 1 or more, ``out`` may be ``src``."""


@kernel("void(f4[:,::1], i8, f4[:,::1])")
def pool(src: Array, factor: int, out: Array) -> None:
    """Means over squares of ``factor`` pixels of a field; the last may be smaller."""
    w = src.shape[1]
    total = np.empty(w, np.float32)
    for y in range(out.shape[0]):
        first, last = y * factor, min(y * factor + factor, src.shape[0])
        total[:] = _ZERO
        for j in range(first, last):
            row = src[j]
            for x in range(w):
                total[x] += row[x]
        squares(total, last - first, factor, out[y])


@kernel("void(f4[:,::1], f4[:,::1], i8, f4[:,::1])")
def pool_product(src: Array, by: Array, factor: int, out: Array) -> None:
    """`pool` of a field times another."""
    w = src.shape[1]
    total = np.empty(w, np.float32)
    for y in range(out.shape[0]):
        first, last = y * factor, min(y * factor + factor, src.shape[0])
        total[:] = _ZERO
        for j in range(first, last):
            row, other = src[j], by[j]
            for x in range(w):
                total[x] += row[x] * other[x]
        squares(total, last - first, factor, out[y])


@kernel()
def squares(total: Array, rows: int, factor: int, out: Array) -> None:
    """Means of squares from the sums of their columns."""
    w = total.shape[0]
    whole = w // factor
    share = _ONE / f4(rows * factor)
    if factor == 2:
        for x in range(whole):
            out[x] = (total[2 * x] + total[2 * x + 1]) * share
    elif factor == 4:
        for x in range(whole):
            a = total[4 * x] + total[4 * x + 1]
            out[x] = (a + (total[4 * x + 2] + total[4 * x + 3])) * share
    else:
        for x in range(whole):
            s = _ZERO
            for i in range(x * factor, x * factor + factor):
                s += total[i]
            out[x] = s * share
    if whole < out.shape[0]:
        s = _ZERO
        for i in range(whole * factor, w):
            s += total[i]
        out[whole] = s / f4(rows * (w - whole * factor))


@kernel()
def places(have: int, want: int, at: Array, part: Array) -> None:
    """Where linear interpolation of ``have`` values to ``want`` looks, and its share of the next.

    ``at`` is (2, want) uint32: the two values' indices.
    """
    scale = f4(have) / f4(want)
    for i in range(want):
        place = max(scale * (f4(i) + _HALF) - _HALF, _ZERO)
        first = min(int(place), have - 1)
        at[0, i], at[1, i] = first, min(first + 1, have - 1)
        part[i] = place - f4(first)


@kernel("void(f4[:,::1], f4[:,::1], f4[:,::1])")
def enlarge(src: Array, between: Array, out: Array) -> None:
    """Linear interpolation up to the size of ``out``; ``between`` has at least its size."""
    h, w = out.shape
    n, last = src.shape[0], src.shape[1] - 1
    at, part = np.empty((2, max(h, w)), np.uint32), np.empty(max(h, w), np.float32)
    places(src.shape[1], w, at, part)
    left, right = at[0], at[1]
    for y in range(n):
        row, to = src[y], between[y]
        if w == 2 * last + 2:  # the usual factor, without look-ups
            to[0], to[w - 1] = row[0], row[last]
            for x in range(last):
                step = _QUARTER * (row[x + 1] - row[x])
                to[2 * x + 1], to[2 * x + 2] = row[x] + step, row[x + 1] - step
        else:
            for x in range(w):
                first = row[left[x]]
                to[x] = first + part[x] * (row[right[x]] - first)
    places(n, h, at, part)
    for y in range(h):
        first, second, share = between[at[0, y]], between[at[1, y]], part[y]
        to = out[y]
        for x in range(w):
            to[x] = first[x] + share * (second[x] - first[x])


@kernel("f4[:,:,::1](f4[:,:,::1], f4[:,::1], f4[::1])")
def spread(x: Array, weight: Array, levels: Array) -> Array:
    """Fill fields everywhere from where they are known.

    Args:
        x: (C, h, w).
        weight: (h, w).
        levels: float32 in one row, three times the values of both.

    Returns:
        (C, h, w), a part of ``levels``.
    """
    count, height, width = x.shape
    h, w, start, depth = height, width, 0, 0
    sizes = np.empty((40, 3), np.int64)
    while True:
        sizes[depth, 0], sizes[depth, 1], sizes[depth, 2] = h, w, start
        start += (count + 1) * h * w
        depth += 1
        if max(h, w) == 1:
            break
        h, w = (h + 1) // 2, (w + 1) // 2
    base = levels[: (count + 1) * height * width].reshape((count + 1, height, width))
    for c in range(count):
        for y in range(height):
            row, known, to = x[c, y], weight[y], base[c, y]
            for i in range(width):
                to[i] = row[i] * known[i]
    for y in range(height):
        known, to = weight[y], base[count, y]
        for i in range(width):
            to[i] = known[i]
    for k in range(1, depth):
        h, w, start = sizes[k, 0], sizes[k, 1], sizes[k, 2]
        fine = levels[sizes[k - 1, 2] : start].reshape(
            (count + 1, sizes[k - 1, 0], sizes[k - 1, 1])
        )
        coarse = levels[start : start + (count + 1) * h * w].reshape((count + 1, h, w))
        fine_h, fine_w = sizes[k - 1, 0], sizes[k - 1, 1]
        for c in range(count + 1):
            for y in range(h):
                upper, lower_row = fine[c, 2 * y], fine[c, min(2 * y + 1, fine_h - 1)]
                to = coarse[c, y]
                for i in range(fine_w // 2):
                    left = upper[2 * i] + lower_row[2 * i]
                    to[i] = _QUARTER * (left + (upper[2 * i + 1] + lower_row[2 * i + 1]))
                if fine_w % 2:
                    to[w - 1] = _HALF * (upper[fine_w - 1] + lower_row[fine_w - 1])
        if k == depth - 1:
            for c in range(count):
                coarse[c, 0, 0] /= max(coarse[count, 0, 0], _TINY)
    if depth == 1:
        for c in range(count):
            base[c, 0, 0] /= max(base[count, 0, 0], _TINY)
    across, right = np.empty((2, width), np.uint32), np.empty(width, np.float32)
    down, lower = np.empty((2, height), np.uint32), np.empty(height, np.float32)
    one, two = across[0], across[1]
    mixed, wide = np.empty(width, np.float32), np.empty(width, np.float32)
    for k in range(depth - 2, -1, -1):
        h, w = sizes[k + 1, 0], sizes[k + 1, 1]
        start = sizes[k + 1, 2]
        coarse = levels[start : start + (count + 1) * h * w].reshape((count + 1, h, w))
        fine_h, fine_w = sizes[k, 0], sizes[k, 1]
        fine = levels[sizes[k, 2] : start].reshape((count + 1, fine_h, fine_w))
        places(w, fine_w, across, right)
        places(h, fine_h, down, lower)
        for c in range(count):
            for y in range(fine_h):
                first, second, share = coarse[c, down[0, y]], coarse[c, down[1, y]], lower[y]
                for i in range(w):
                    mixed[i] = first[i] + share * (second[i] - first[i])
                for i in range(fine_w):
                    near = mixed[one[i]]
                    wide[i] = near + right[i] * (mixed[two[i]] - near)
                to, known = fine[c, y], fine[count, y]
                for i in range(fine_w):
                    have = known[i]
                    here = to[i] / (have if have > _TINY else _TINY)
                    trust = min(have * _FOUR, _ONE)
                    to[i] = wide[i] + trust * (here - wide[i])
    return base[:count]
