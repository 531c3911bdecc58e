# mypy: disable-error-code="no-untyped-def,no-untyped-call,untyped-decorator,misc"
"""The subject's core, its colour spread from there, and wide means.

As the second half of `models.matte.find_subject` in the live grade and `models.features`.
"""

from __future__ import annotations

import triton
import triton.language as tl

from models.kernels.cuda.analysis_subject import AROUND, direct_means, step
from models.kernels.cuda.neighbourhood import (
    clamped,
    enlarged,
    fill,
    flat_places,
    kernel,
    least,
    level_of,
    means,
    softened_twice,
    square_places,
    squares,
    tile_places,
)


@triton.jit
def keep_squares(plane, value, inside, pid, h, w, hp, wp, level: tl.constexpr,
                 tiles: tl.constexpr, side: tl.constexpr):  # fmt: skip
    """One channel of a level of a pyramid over fields of (hp, wp)."""
    at, _, _ = level_of(hp, wp, level)
    place, there = square_places(pid, h, w, tiles, side)
    tl.store(plane + at + place, value, mask=there)


@kernel
def find_core(rough, solid, kept, core, sums, h, w, h2, w2, cells,
              tiles: tl.constexpr):  # fmt: skip
    """The core at full size, and the subject's colour in it in a pyramid."""
    pid = tl.program_id(0)
    y, x, inside = tile_places(pid, h, w, tiles)
    n, e = h * w, y * w + x
    wide = tl.zeros((tiles * 64,), tl.float32) + 1.0
    for dy in range(-2, 3):
        row = clamped(y + dy, h)
        for dx in tl.static_range(-2, 3):
            here = enlarged(solid, row, clamped(x + dx, w), h2, w2, h, w, inside)
            wide = tl.minimum(wide, here)
    own = tl.load(rough + e, mask=inside, other=0.0)
    found = step(least(rough, y, x, h, w, 2, inside), 0.6, 0.8)
    found = tl.maximum(found, wide * step(own, 0.1, 0.3))
    tl.store(core + e, found, mask=inside)
    weight, known = means(found, inside, tiles, 8)
    keep_pyramid(sums + 3 * cells, weight, known, pid, h, w, h2, w2, tiles)
    # What is known as good as not at all weighs less still, as it does in the reference.
    trust = tl.minimum(weight * 1e6, 1.0)
    for c in tl.static_range(3):
        value = found * tl.load(kept + c * n + e, mask=inside, other=0.0)
        one, _ = means(value, inside, tiles, 8)
        keep_pyramid(sums + c * cells, one * trust, known, pid, h, w, h2, w2, tiles)


@triton.jit
def keep_pyramid(plane, one, known, pid, h, w, h2, w2, tiles: tl.constexpr):
    """One channel of the first three levels of a pyramid over halves."""
    keep_squares(plane, one, known, pid, h, w, h2, w2, 0, tiles, 4)
    two, more = means(one, known, tiles, 4)
    keep_squares(plane, two, more, pid, h, w, h2, w2, 1, tiles, 2)
    three, last = means(two, more, tiles, 2)
    keep_squares(plane, three, last, pid, h, w, h2, w2, 2, tiles, 1)


@triton.jit
def keep_deep(core, kept, sums, pid, h, w, h4, w4, cells, radius: tl.constexpr,
              tiles: tl.constexpr):  # fmt: skip
    """The subject's colour deep inside, over squares of four pixels and of eight."""
    y, x, inside = tile_places(pid, h, w, tiles)
    n, e = h * w, y * w + x
    deep = tl.where(inside, least(core, y, x, h, w, radius, inside), 0.0)
    count = squares(squares(inside.to(tl.float32), tiles, 8), tiles, 4)
    there = count > 0
    count = tl.maximum(count, 1.0)
    weight = squares(squares(deep, tiles, 8), tiles, 4) / count
    trust = tl.minimum(weight * 1e6, 1.0)
    for c in tl.static_range(4):
        one = weight
        if c < 3:
            value = deep * tl.load(kept + c * n + e, mask=inside, other=0.0)
            one = squares(squares(value, tiles, 8), tiles, 4) / count * trust
        keep_squares(sums + c * cells, one, there, pid, h, w, h4, w4, 0, tiles, 2)
        two, more = means(one, there, tiles, 2)
        keep_squares(sums + c * cells, two, more, pid, h, w, h4, w4, 1, tiles, 1)


@triton.jit
def pool_wide(source, out, pid, h, w, factor: tl.constexpr, block: tl.constexpr):
    """Means over squares of any size."""
    hp, wp = (h + factor - 1) // factor, (w + factor - 1) // factor
    e, y, x, inside = flat_places(pid, hp, wp, block)
    total = tl.zeros((block,), tl.float32)
    for dy in tl.static_range(factor):
        row = y * factor + dy
        for dx in tl.static_range(factor):
            column = x * factor + dx
            there = inside & (row < h) & (column < w)
            total += tl.load(source + row * w + column, mask=there, other=0.0)
    count = tl.minimum(h - y * factor, factor) * tl.minimum(w - x * factor, factor)
    tl.store(out + e, total / tl.maximum(count, 1).to(tl.float32), mask=inside)


@triton.jit
def soften_wide(pooled, soft, pid, h, w, factor: tl.constexpr, block: tl.constexpr):
    """Such means softened."""
    hp, wp = (h + factor - 1) // factor, (w + factor - 1) // factor
    e, y, x, inside = flat_places(pid, hp, wp, block)
    tl.store(soft + e, softened_twice(pooled, y, x, hp, wp, inside), mask=inside)


@kernel
def keep_colour(core, kept, rough, deep, pooled, h, w, h4, w4, deep_cells, radius: tl.constexpr,
                one: tl.constexpr, two: tl.constexpr, three: tl.constexpr,
                programs: tl.constexpr, tiles: tl.constexpr, flat: tl.constexpr):  # fmt: skip
    """The subject's colour deep inside; meanwhile, wide means."""
    pid = tl.program_id(0)
    if pid < programs:
        keep_deep(core, kept, deep, pid, h, w, h4, w4, deep_cells, radius, tiles)
    else:
        n, at = h * w, pid - programs
        if one > 1:
            pool_wide(rough, pooled, at, h, w, one, flat)
            pool_wide(core, pooled + n, at, h, w, one, flat)
        if two > 1:
            pool_wide(rough, pooled + 2 * n, at, h, w, two, flat)
            pool_wide(core, pooled + 3 * n, at, h, w, two, flat)
        if three > 1:
            pool_wide(rough, pooled + 4 * n, at, h, w, three, flat)
            pool_wide(core, pooled + 5 * n, at, h, w, three, flat)


@kernel
def spread_colour(sums, filled, deep, deep_filled, fields, core, pooled, soft, h, w, h2, w2, h4,
                  w4, h8, w8, cells, deep_cells, last: tl.constexpr, one: tl.constexpr,
                  two: tl.constexpr, three: tl.constexpr, pixels: tl.constexpr,
                  block: tl.constexpr, flat: tl.constexpr):  # fmt: skip
    """The subject's colour spread, at its edge and deep inside, one program a channel of each;
    meanwhile, means."""
    pid = tl.program_id(0)
    if pid < 6:
        c = pid % 3
        at, _, _ = level_of(h2, w2, 2)
        below, _, _ = level_of(h4, w4, 1)
        values, weights, made = (
            sums + c * cells + at,
            sums + 3 * cells + at,
            filled + c * cells + at,
        )
        if pid > 2:
            values, weights = deep + c * deep_cells + below, deep + 3 * deep_cells + below
            made = deep_filled + c * deep_cells + below
        fill(values, weights, made, h8, w8, last, block)
    elif pid < 6 + pixels:
        e, y, x, inside = flat_places(pid - 6, h, w, flat)
        direct_means(fields + (AROUND + 9) * h * w + e, core, y, x, h, w, one, two, three, inside)
    else:
        n, at = h * w, pid - 6 - pixels
        for c in tl.static_range(2):
            if one > 1:
                soften_wide(pooled + c * n, soft + c * n, at, h, w, one, flat)
            if two > 1:
                soften_wide(pooled + (2 + c) * n, soft + (2 + c) * n, at, h, w, two, flat)
            if three > 1:
                soften_wide(pooled + (4 + c) * n, soft + (4 + c) * n, at, h, w, three, flat)
