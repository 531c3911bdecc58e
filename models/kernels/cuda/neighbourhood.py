# mypy: disable-error-code="no-untyped-def,no-untyped-call,untyped-decorator,misc"
"""Neighbourhoods inside Triton kernels: softening, squares, enlarging, spreading, ranks.

The same arithmetic as `models.pyramid`, one value at a time, so that a kernel can recompute what
its neighbours need instead of waiting for another launch.
"""

from __future__ import annotations

import triton
import triton.language as tl
from triton.language.extra.cuda import gdc_launch_dependents, gdc_wait


@triton.jit
def begin(early: tl.constexpr):
    """Let the next kernel be brought in early, and wait for the one before."""
    if early:
        gdc_launch_dependents()
        gdc_wait()


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
    for dy in tl.static_range(-2, 3):
        row = mirrored(y + dy, h) * w
        for dx in tl.static_range(-2, 3):
            # 6, 4, 1 for distances of 0, 1, 2.
            down = 6 - 2.25 * dy * dy + 0.25 * dy * dy * dy * dy
            across = 6 - 2.25 * dx * dx + 0.25 * dx * dx * dx * dx
            taken = tl.load(plane + row + mirrored(x + dx, w), mask=inside, other=0.0)
            total += (down * across / 256.0) * taken
    return total


@triton.jit
def least(plane, y, x, h, w, radius: tl.constexpr, inside):
    """`pyramid.shrink` at single places of a plane."""
    found = tl.zeros_like(y).to(tl.float32) + float("inf")
    for dy in tl.static_range(-radius, radius + 1):
        row = clamped(y + dy, h) * w
        for dx in tl.static_range(-radius, radius + 1):
            taken = tl.load(plane + row + clamped(x + dx, w), mask=inside, other=0.0)
            found = tl.minimum(found, taken)
    return found


@triton.jit
def most(plane, y, x, h, w, radius: tl.constexpr, inside):
    """`pyramid.grow` at single places of a plane."""
    found = tl.zeros_like(y).to(tl.float32) - float("inf")
    for dy in tl.static_range(-radius, radius + 1):
        row = clamped(y + dy, h) * w
        for dx in tl.static_range(-radius, radius + 1):
            taken = tl.load(plane + row + clamped(x + dx, w), mask=inside, other=0.0)
            found = tl.maximum(found, taken)
    return found


@triton.jit
def between(i, have, size):
    """The two values of a smaller field between which a place lies, and how far along."""
    at = tl.maximum((i.to(tl.float32) + 0.5) * ((have * 1.0) / (size * 1.0)) - 0.5, 0.0)
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
    at = h * 0
    for _ in tl.static_range(level):
        at += h * w
        h = (h + 1) // 2
        w = (w + 1) // 2
    return at, h, w


@triton.jit
def pull(sums, h, w, first: tl.constexpr, last: tl.constexpr, channels: tl.constexpr,
         block: tl.constexpr):  # fmt: skip
    """The upper levels of a pyramid, by one program: means over two by two, level by level."""
    for level in tl.static_range(first, last):
        at, hl, wl = level_of(h, w, level)
        below, hc, wc = level_of(h, w, level + 1)
        for start in range(0, hc * wc, block):
            e = start + tl.arange(0, block)
            inside = e < hc * wc
            y, x = e // wc * 2, e % wc * 2
            down, right = inside & (y + 1 < hl), inside & (x + 1 < wl)
            count = (1.0 + (y + 1 < hl).to(tl.float32)) * (1.0 + (x + 1 < wl).to(tl.float32))
            for c in tl.static_range(channels):
                p = sums + channels * at + c * hl * wl + y * wl + x
                v = tl.load(p, mask=inside, other=0.0) + tl.load(p + 1, mask=right, other=0.0)
                v += tl.load(p + wl, mask=down, other=0.0)
                v += tl.load(p + wl + 1, mask=down & right, other=0.0)
                tl.store(sums + channels * below + c * hc * wc + e, v / count, mask=inside)
        tl.debug_barrier()


@triton.jit
def trusted(sums, around, y, x, h, w, level: tl.constexpr, c: tl.constexpr,
            channels: tl.constexpr, inside):  # fmt: skip
    """A level's own value where it is known, else what its surroundings say."""
    at, hl, wl = level_of(h, w, level)
    p = sums + channels * at + y * wl + x
    known = tl.load(p + (channels - 1) * hl * wl, mask=inside, other=0.0)
    here = tl.load(p + c * hl * wl, mask=inside, other=0.0) / tl.maximum(known, 1e-8)
    return around + (here - around) * tl.minimum(known * 4, 1.0)


@triton.jit
def filled_one(sums, filled, y, x, h, w, level: tl.constexpr, c: tl.constexpr,
               channels: tl.constexpr, inside):  # fmt: skip
    """`pyramid.spread` at places of a level, from the next one, which is filled already."""
    _, hl, wl = level_of(h, w, level)
    above, hc, wc = level_of(h, w, level + 1)
    field = filled + (channels - 1) * above + c * hc * wc
    around = enlarged(field, y, x, hc, wc, hl, wl, inside)
    return trusted(sums, around, y, x, h, w, level, c, channels, inside)


@triton.jit
def filled_two(sums, filled, y, x, h, w, level: tl.constexpr, c: tl.constexpr,
               channels: tl.constexpr, inside):  # fmt: skip
    """`pyramid.spread` at places of a level, from the second next one."""
    _, hl, wl = level_of(h, w, level)
    _, hc, wc = level_of(h, w, level + 1)
    y0, y1, down = between(y, hc, hl)
    x0, x1, across = between(x, wc, wl)
    above: tl.constexpr = level + 1
    a = filled_one(sums, filled, y0, x0, h, w, above, c, channels, inside)
    b = filled_one(sums, filled, y0, x1, h, w, above, c, channels, inside)
    low = filled_one(sums, filled, y1, x0, h, w, above, c, channels, inside)
    d = filled_one(sums, filled, y1, x1, h, w, above, c, channels, inside)
    around = mixed(a, b, low, d, down, across)
    return trusted(sums, around, y, x, h, w, level, c, channels, inside)


@triton.jit
def push(sums, filled, h, w, first: tl.constexpr, last: tl.constexpr, channels: tl.constexpr,
         block: tl.constexpr):  # fmt: skip
    """Fill a pyramid from its top ``last`` down to ``first``, by one program."""
    top, _, _ = level_of(h, w, last)
    known = tl.maximum(tl.load(sums + channels * top + channels - 1), 1e-8)
    for c in tl.static_range(channels - 1):
        tl.store(
            filled + (channels - 1) * top + c, tl.load(sums + channels * top + c) / known
        )
    tl.debug_barrier()
    for down in tl.static_range(last - first):
        at, hl, wl = level_of(h, w, last - 1 - down)
        for start in range(0, hl * wl, block):
            e = start + tl.arange(0, block)
            inside = e < hl * wl
            for c in tl.static_range(channels - 1):
                v = filled_one(
                    sums, filled, e // wl, e % wl, h, w, last - 1 - down, c, channels, inside
                )
                tl.store(filled + (channels - 1) * at + c * hl * wl + e, v, mask=inside)
        tl.debug_barrier()


@triton.jit
def ranks(mine, place, values, index, counted):
    """How many of the counted values come before each of mine; equal ones in their order."""
    before = (values[None, :] < mine[:, None]) | (
        (values[None, :] == mine[:, None]) & (index[None, :] < place[:, None])
    )
    return tl.sum((before & counted[None, :]).to(tl.int32), 1)
