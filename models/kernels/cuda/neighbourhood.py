# mypy: disable-error-code="no-untyped-def,no-untyped-call,untyped-decorator,misc"
"""Neighbourhoods inside Triton kernels: softening, squares, enlarging, spreading, ranks.

The same arithmetic as `models.pyramid`, one value at a time, so that a kernel can recompute what
its neighbours need instead of waiting for another launch.
"""

from __future__ import annotations

import triton
import triton.language as tl

_SIZES = [
    "h",
    "w",
    "h2",
    "w2",
    "h4",
    "w4",
    "h8",
    "w8",
    "hc",
    "wc",
    "n",
    "n8",
    "cells",
    "deep_cells",
    "stride",
    "height",
    "width",
    "chroma_h",
    "chroma_w",
    "pooled_h",
    "pooled_w",
    "low",
    "high",
]
kernel = triton.jit(do_not_specialize=_SIZES)
"""Decorates what is started from the host; compiled once for frames of all sizes."""


@triton.jit
def mirrored(i, n):
    """Softening twice with the edge repeated is one filter over the mirrored picture."""
    i = tl.where(i < 0, -1 - i, i)
    i = tl.where(i >= n, 2 * n - 1 - i, i)
    return tl.minimum(tl.maximum(i, 0), n - 1)


@triton.jit
def clamped(i, n):
    """The edge repeated."""
    return tl.minimum(tl.maximum(i, 0), n - 1)


@triton.jit
def softened(plane, y, x, h, w, inside):
    """`pyramid.soften` at single places of a plane."""
    total = tl.zeros_like(y).to(tl.float32)
    for dy in tl.static_range(-1, 2):
        row = clamped(y + dy, h) * w
        for dx in tl.static_range(-1, 2):
            weight = (2 - dy * dy) * (2 - dx * dx) / 16.0
            total += weight * tl.load(plane + row + clamped(x + dx, w), mask=inside, other=0.0)
    return total


@triton.jit
def softened_twice(plane, y, x, h, w, inside):
    """`pyramid.soften` twice at single places of a plane."""
    total = tl.zeros_like(y).to(tl.float32)
    for dy in range(-2, 3):
        row = mirrored(y + dy, h) * w
        # 6, 4, 1 for distances of 0, 1, 2.
        down = 6 - 2.25 * dy * dy + 0.25 * dy * dy * dy * dy
        for dx in tl.static_range(-2, 3):
            across = 6 - 2.25 * dx * dx + 0.25 * dx * dx * dx * dx
            taken = tl.load(plane + row + mirrored(x + dx, w), mask=inside, other=0.0)
            total += (down * across / 256.0) * taken
    return total


@triton.jit
def extremes(plane, y, x, h, w, radius: tl.constexpr, inside):
    """`pyramid.shrink` and `pyramid.grow` at single places of a plane."""
    low = tl.zeros_like(y).to(tl.float32) + float("inf")
    high = tl.zeros_like(y).to(tl.float32) - float("inf")
    for dy in range(-radius, radius + 1):
        row = clamped(y + dy, h) * w
        for dx in tl.static_range(-radius, radius + 1):
            taken = tl.load(plane + row + clamped(x + dx, w), mask=inside, other=0.0)
            low, high = tl.minimum(low, taken), tl.maximum(high, taken)
    return low, high


@triton.jit
def least(plane, y, x, h, w, radius: tl.constexpr, inside):
    """`pyramid.shrink` at single places of a plane."""
    low, _ = extremes(plane, y, x, h, w, radius, inside)
    return low


@triton.jit
def most(plane, y, x, h, w, radius: tl.constexpr, inside):
    """`pyramid.grow` at single places of a plane."""
    _, high = extremes(plane, y, x, h, w, radius, inside)
    return high


@triton.jit
def between(i, have, size):
    """The two values of a smaller field between which a place lies, and how far along."""
    # Rounded division: the card's own gives 1 less a bit for equal sizes, and a place beside.
    at = i.to(tl.float32) + 0.5
    at = tl.maximum(at * tl.div_rn(at * 0 + have, at * 0 + size) - 0.5, 0.0)
    first = tl.minimum(at.to(tl.int32), have - 1)
    return first, tl.minimum(first + 1, have - 1), at - first.to(tl.float32)


@triton.jit
def mixed(a, b, c, d, down, across):
    """Linear in both directions: a b above c d."""
    return (a + (b - a) * across) * (1 - down) + (c + (d - c) * across) * down


@triton.jit
def enlarged(field, y, x, have_h, have_w, h, w, inside):
    """`pyramid.enlarge` at single places of the larger field."""
    y0, y1, down = between(y, have_h, h)
    x0, x1, across = between(x, have_w, w)
    a = tl.load(field + y0 * have_w + x0, mask=inside, other=0.0)
    b = tl.load(field + y0 * have_w + x1, mask=inside, other=0.0)
    c = tl.load(field + y1 * have_w + x0, mask=inside, other=0.0)
    d = tl.load(field + y1 * have_w + x1, mask=inside, other=0.0)
    return mixed(a, b, c, d, down, across)


@triton.jit
def flat_places(pid, h, w, block: tl.constexpr):
    """Places of a plane in order: flat index, row, column, whether there is one."""
    e = pid * block + tl.arange(0, block)
    return e, e // w, e % w, e < h * w


@triton.jit
def tile_places(pid, h, w, tiles: tl.constexpr):
    """Places of squares of eight pixels: row, column, whether there is one."""
    e = tl.arange(0, tiles * 64)
    across = (w + 7) // 8
    t = pid * tiles + e // 64
    y = (t // across) * 8 + (e % 64) // 8
    x = (t % across) * 8 + e % 8
    return y, x, (y < h) & (x < w)


@triton.jit
def square_places(pid, h, w, tiles: tl.constexpr, side: tl.constexpr):
    """Where the squares of a `tile_places` go that have been joined to ``side`` a side."""
    e = tl.arange(0, tiles * side * side)
    across = (w + 7) // 8
    factor: tl.constexpr = 8 // side
    hs, ws = (h + factor - 1) // factor, (w + factor - 1) // factor
    t = pid * tiles + e // (side * side)
    y = (t // across) * side + (e % (side * side)) // side
    x = (t % across) * side + e % side
    return y * ws + x, (y < hs) & (x < ws) & (t < across * ((h + 7) // 8))


@triton.jit
def squares(v, tiles: tl.constexpr, side: tl.constexpr):
    """Sums over squares of two by two of tiles that are ``side`` a side."""
    half: tl.constexpr = side // 2
    v = tl.reshape(v, (tiles, half, 2, half, 2))
    v = tl.sum(tl.sum(v, 4), 2)
    return tl.reshape(v, (tiles * half * half,))


@triton.jit
def means(v, inside, tiles: tl.constexpr, side: tl.constexpr):
    """Means over squares of two by two, and which of them there are."""
    count = squares(inside.to(tl.float32), tiles, side)
    return squares(tl.where(inside, v, 0.0), tiles, side) / tl.maximum(count, 1.0), count > 0


@triton.jit
def whole_means(v, inside, tiles: tl.constexpr):
    """Means over squares of eight by eight."""
    count = tl.sum(tl.reshape(inside.to(tl.float32), (tiles, 64)), 1)
    total = tl.sum(tl.reshape(tl.where(inside, v, 0.0), (tiles, 64)), 1)
    return total / tl.maximum(count, 1.0)


@triton.jit
def level_of(h, w, level: tl.constexpr):
    """Values before a level of a pyramid, its height and its width."""
    # Sums make tensors of what may be constants.
    at, h, w = h * 0, h + 0, w + 0
    for _ in tl.static_range(level):
        at += h * w
        h = (h + 1) // 2
        w = (w + 1) // 2
    return at, h, w


@triton.jit
def cell_places(start, n, w, block: tl.constexpr):
    """Cells of a small plane in order, without a division: index, row, column, if there is one."""
    e = start + tl.arange(0, block)
    y = ((e.to(tl.float32) + 0.5) * (1.0 / w)).to(tl.int32)
    return e, y, e - y * w, e < n


@triton.jit
def pull(values, weights, at, h, w, above, hc, wc, block: tl.constexpr):
    """The next level of a pyramid of two planes, that begins ``above``: means of two by two.

    Programs of one launch that share the weights each write them: the same values, so in any order.
    """
    for start in range(0, hc * wc, block):
        e, y, x, inside = cell_places(start, hc * wc, wc, block)
        y, x = 2 * y, 2 * x
        right, below = inside & (x + 1 < w), inside & (y + 1 < h)
        place = at + y * w + x
        a = tl.load(values + place, mask=inside, other=0.0)
        b = tl.load(values + place + 1, mask=right, other=0.0)
        c = tl.load(values + place + w, mask=below, other=0.0)
        d = tl.load(values + place + w + 1, mask=right & below, other=0.0)
        i = tl.load(weights + place, mask=inside, other=0.0)
        j = tl.load(weights + place + 1, mask=right, other=0.0)
        k = tl.load(weights + place + w, mask=below, other=0.0)
        m = tl.load(weights + place + w + 1, mask=right & below, other=0.0)
        share = tl.where(right, 0.5, 1.0) * tl.where(below, 0.5, 1.0)
        tl.store(values + above + e, (a + b + c + d) * share, mask=inside)
        tl.store(weights + above + e, (i + j + k + m) * share, mask=inside)


@triton.jit
def trusted(values, weights, around, y, x, h, w, level: tl.constexpr, inside):
    """A level's own value where it is known, else what its surroundings say."""
    at, _, wl = level_of(h, w, level)
    place = at + y * wl + x
    known = tl.load(weights + place, mask=inside, other=0.0)
    here = tl.load(values + place, mask=inside, other=0.0) / tl.maximum(known, 1e-8)
    return around + (here - around) * tl.minimum(known * 4, 1.0)


@triton.jit
def filled_one(values, weights, filled, y, x, h, w, level: tl.constexpr, inside):
    """`pyramid.spread` at places of a level, from the next one, which is filled already."""
    _, hl, wl = level_of(h, w, level)
    above, hc, wc = level_of(h, w, level + 1)
    around = enlarged(filled + above, y, x, hc, wc, hl, wl, inside)
    return trusted(values, weights, around, y, x, h, w, level, inside)


@triton.jit
def filled_two(values, weights, filled, y, x, h, w, level: tl.constexpr, inside):
    """`pyramid.spread` at places of a level, from the second next one."""
    _, hl, wl = level_of(h, w, level)
    _, hc, wc = level_of(h, w, level + 1)
    y0, y1, down = between(y, hc, hl)
    x0, x1, across = between(x, wc, wl)
    a = filled_one(values, weights, filled, y0, x0, h, w, level + 1, inside)
    b = filled_one(values, weights, filled, y0, x1, h, w, level + 1, inside)
    c = filled_one(values, weights, filled, y1, x0, h, w, level + 1, inside)
    d = filled_one(values, weights, filled, y1, x1, h, w, level + 1, inside)
    around = mixed(a, b, c, d, down, across)
    return trusted(values, weights, around, y, x, h, w, level, inside)


@triton.jit
def fill(values, weights, filled, h, w, last: tl.constexpr, block: tl.constexpr):
    """`pyramid.spread` of one channel of a field by one program; ``last`` is where one is left.

    Levels wait for each other, so all that a level reads is asked for at once.
    """
    few: tl.constexpr = block // 4
    at, high, wide = h * 0, h + 0, w + 0
    for _ in range(last):
        above, hc, wc = at + high * wide, (high + 1) // 2, (wide + 1) // 2
        pull(values, weights, at, high, wide, above, hc, wc, few)
        tl.debug_barrier()
        at, high, wide = above, hc, wc
    tl.store(filled + at, tl.load(values + at) / tl.maximum(tl.load(weights + at), 1e-8))
    tl.debug_barrier()
    for step in range(last - 1):
        # From the highest level down: sides halved so often, rounded up.
        by = last - 1 - step
        high, wide = (h + (1 << by) - 1) >> by, (w + (1 << by) - 1) >> by
        at -= high * wide
        fill_level(values + at, weights + at, filled + at, high, wide, few)
    if last > 0:
        fill_level(values, weights, filled, h, w, block)


@triton.jit
def fill_level(values, weights, filled, h, w, block: tl.constexpr):
    """A level of a field from the one above it, which is filled already."""
    for start in range(0, h * w, block):
        e, y, x, inside = cell_places(start, h * w, w, block)
        v = filled_one(values, weights, filled, y, x, h, w, 0, inside)
        tl.store(filled + e, v, mask=inside)
    tl.debug_barrier()


@triton.jit
def ranks(mine, place, values, index, counted):
    """How many of the counted values come before each of mine; equal ones in their order."""
    before = (values[None, :] < mine[:, None]) | (
        (values[None, :] == mine[:, None]) & (index[None, :] < place[:, None])
    )
    return tl.sum((before & counted[None, :]).to(tl.int32), 1)
