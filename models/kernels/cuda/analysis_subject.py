# mypy: disable-error-code="no-untyped-def,no-untyped-call,untyped-decorator,misc"
"""The screen settled, the subject's core and its spread colour.

As the end of `models.field.fit`, `models.screen.Screen.noise` and `models.matte.find_subject` in
the live grade.
"""

from __future__ import annotations

import triton
import triton.language as tl

from models.kernels.cuda.analysis_fit import LEAST_SHADE, MOST_SHADE
from models.kernels.cuda.analysis_screen import (
    BOUND,
    DEAD,
    FOUND,
    HUE,
    MISFIT,
    colours,
    difference,
    misfit,
    split,
)
from models.kernels.cuda.analysis_strips import strips_at
from models.kernels.cuda.neighbourhood import (
    clamped,
    enlarged,
    extremes,
    fill,
    filled_two,
    flat_places,
    kernel,
    least,
    level_of,
    means,
    most,
    softened,
    softened_twice,
    tile_places,
)

NEAR, HOLD_OUT, AROUND = tl.constexpr(3), tl.constexpr(5), tl.constexpr(10)
"""Channels of the fields; the screen's colour comes first."""


@triton.jit
def step(x, low: tl.constexpr, high: tl.constexpr):
    """`matte.step`."""
    t = tl.minimum(tl.maximum((x - low) / (high - low), 0.0), 1.0)
    return t * t * (3 - 2 * t)


@triton.jit
def luminance(red, green, blue):
    """`color.luminance`."""
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


@kernel
def settle(small, sampled, color, weight, off, shade, near, proposed, below, marks, closed,
           strips, reach, state, fields, kept, rough0, lit, strange, sums, h, w, h4, w4, hc, wc,
           plate: tl.constexpr, tiles: tl.constexpr):  # fmt: skip
    """Folds and hold-out; the frame without what is held out; what noise and bounds are made of."""
    pid = tl.program_id(0)
    y, x, inside = tile_places(pid, h, w, tiles)
    n, e = h * w, y * w + x
    hue = tl.load(state + HUE).to(tl.int32)
    alive = tl.load(state + DEAD) == 0
    bound = tl.load(state + BOUND + 1)
    total = tl.zeros((tiles * 64,), tl.float32)
    for dy in tl.static_range(-1, 2):
        row = clamped(y + dy, h) * w
        for dx in tl.static_range(-1, 2):
            place = row + clamped(x + dx, w)
            dark = tl.load(shade + place, mask=inside, other=0.0)
            alike = tl.load(off + place, mask=inside, other=0.0) < 1.5 * bound
            alike = alike & (dark > LEAST_SHADE) & (dark < MOST_SHADE)
            total += alike.to(tl.float32) * ((2 - dy * dy) * (2 - dx * dx) / 16.0)
    clear = total * (1 - enlarged(near, y, x, h4, w4, h, w, inside))
    clear = tl.where(alive, clear, 0.0)
    own = softened_twice(shade, y, x, h, w, inside)
    own = tl.minimum(tl.maximum(own, LEAST_SHADE), MOST_SHADE)
    share = tl.maximum(softened(weight, y, x, h, w, inside), clear)
    fold = tl.where(alive, 1 + (own - 1) * share, 1.0)
    if plate:
        out = tl.load(proposed + e, mask=inside, other=0.0)
        floor = tl.load(below + e, mask=inside, other=0.0)
        same = 1 - tl.load(closed + e, mask=inside, other=0.0)
        away = out * (1 - floor) * same
        away = tl.where(tl.load(reach + 5) == 0, tl.maximum(away, floor * out), away)
        away = tl.maximum(away, tl.load(marks + e, mask=inside, other=0.0) * same)
    else:
        away = strips_at(strips, y, x, hc, wc, h, w)
    hold_out = tl.maximum(clear, away)
    bare_red, bare_green, bare_blue = colours(color, n, tl.where(inside, e, n))
    bare_red, bare_green, bare_blue = bare_red * fold, bare_green * fold, bare_blue * fold
    tl.store(fields + e, bare_red, mask=inside)
    tl.store(fields + n + e, bare_green, mask=inside)
    tl.store(fields + 2 * n + e, bare_blue, mask=inside)
    tl.store(fields + HOLD_OUT * n + e, hold_out, mask=inside)
    sure = tl.load(weight + e, mask=inside, other=0.0)
    full = tl.maximum(difference(bare_red, bare_green, bare_blue, hue), 1e-3)
    red, green, blue = colours(sampled, n, tl.where(inside, e, n))
    noise = 1 - difference(red, green, blue, hue) / full
    t = pid * tiles + tl.arange(0, tiles)
    n8 = ((h + 7) // 8) * ((w + 7) // 8)
    noise = tl.where(inside, noise * noise * sure, 0.0)
    tl.store(sums + t, tl.sum(tl.reshape(noise, (tiles, 64)), 1), mask=t < n8)
    noise = tl.where(inside, sure, 0.0)
    tl.store(sums + n8 + t, tl.sum(tl.reshape(noise, (tiles, 64)), 1), mask=t < n8)
    red, green, blue = colours(small, n, tl.where(inside, e, n))
    red += (bare_red - red) * hold_out
    green += (bare_green - green) * hold_out
    blue += (bare_blue - blue) * hold_out
    tl.store(kept + e, red, mask=inside)
    tl.store(kept + n + e, green, mask=inside)
    tl.store(kept + 2 * n + e, blue, mask=inside)
    rough = 1 - difference(red, green, blue, hue) / full
    tl.store(rough0 + e, tl.minimum(tl.maximum(rough, 0.0), 1.0), mask=inside)
    level = luminance(red, green, blue)
    level /= tl.maximum(luminance(bare_red, bare_green, bare_blue), 0.005)
    tl.store(lit + e, tl.sqrt(tl.minimum(tl.maximum(level, 0.0), 4.0)), mask=inside)
    bare_key, bare_other = split(bare_red, bare_green, bare_blue, hue)
    _, other = split(red, green, blue, hue)
    away = tl.maximum(tl.abs(red - bare_red), tl.abs(other - bare_other))
    tl.store(strange + e, away / tl.maximum(bare_key, 1e-3), mask=inside)
    unclear = inside & (tl.minimum(1 - sure, 1 - hold_out) > 0)
    tl.atomic_min(reach, tl.min(tl.where(unclear, y, 1 << 30), 0), sem="relaxed")
    tl.atomic_max(reach + 1, tl.max(tl.where(unclear, y, -1), 0), sem="relaxed")
    tl.atomic_min(reach + 2, tl.min(tl.where(unclear, x, 1 << 30), 0), sem="relaxed")
    tl.atomic_max(reach + 3, tl.max(tl.where(unclear, x, -1), 0), sem="relaxed")


@kernel
def soften_rough(rough0, rough, sums, reach, state, told, h, w, factor, height, width,
                 plate: tl.constexpr, n8_block: tl.constexpr, block: tl.constexpr):  # fmt: skip
    """The difference softened; what the frame told."""
    e, y, x, inside = flat_places(tl.program_id(0), h, w, block)
    tl.store(rough + e, softened(rough0, y, x, h, w, inside), mask=inside)
    if tl.program_id(0) == 0:
        n8 = ((h + 7) // 8) * ((w + 7) // 8)
        t = tl.arange(0, n8_block)
        off = tl.sum(tl.load(sums + t, mask=t < n8, other=0.0), 0)
        seen = tl.sum(tl.load(sums + n8 + t, mask=t < n8, other=0.0), 0)
        found = tl.load(state + FOUND) > 0
        noise = tl.sqrt(off / tl.maximum(seen, 1.0))
        tl.store(told, tl.where(found, noise, 0.0))
        tl.store(told + 1, found.to(tl.float32))
        tl.store(told + 2, tl.load(state + HUE))
        fits = found.to(tl.float32) * 0 - 1
        if plate:
            fits = tl.where(found, (misfit(state) < MISFIT).to(tl.float32), -1.0)
        tl.store(told + 3, fits)
        top, bottom = tl.load(reach), tl.load(reach + 1) + 1
        left, right = tl.load(reach + 2), tl.load(reach + 3) + 1
        empty = bottom == 0
        top, left = tl.where(empty, 0, top), tl.where(empty, 0, left)
        top, left = tl.where(found, top * factor, 0), tl.where(found, left * factor, 0)
        bottom = tl.where(found, tl.minimum(bottom * factor, height), height)
        right = tl.where(found, tl.minimum(right * factor, width), width)
        tl.store(told + 4, top.to(tl.float32))
        tl.store(told + 5, bottom.to(tl.float32))
        tl.store(told + 6, left.to(tl.float32))
        tl.store(told + 7, right.to(tl.float32))


@kernel
def halve(rough, half, flat, sure, h, w, h2, w2, block: tl.constexpr):
    """The difference, its flatness and the plain core at half size."""
    e, y2, x2, inside = flat_places(tl.program_id(0), h2, w2, block)
    total, steep, solid = tl.zeros((block,), tl.float32), 0.0, 0.0
    for k in tl.static_range(4):
        y, x = y2 * 2 + k // 2, x2 * 2 + k % 2
        there = inside & (y < h) & (x < w)
        low, high = extremes(rough, y, x, h, w, 1, there)
        one = tl.load(rough + y * w + x, mask=there, other=0.0)
        total += one
        steep += tl.where(there, high - low, 0.0)
        solid += step(one, 0.6, 0.8)
    count = tl.minimum(h - y2 * 2, 2) * tl.minimum(w - x2 * 2, 2)
    count = tl.maximum(count, 1).to(tl.float32)
    tl.store(half + e, total / count, mask=inside)
    tl.store(flat + e, (steep / count < 0.25).to(tl.float32), mask=inside)
    tl.store(sure + e, (solid / count > 0.5).to(tl.float32), mask=inside)


@kernel
def follow_spill(half, flat, sure, wider, sums, scratch, h2, w2, cells,
                 rounds: tl.constexpr):  # fmt: skip
    """The core followed through spill; its edge, and which of that is sharp, in a pyramid.

    Each program works on 16 by 16 cells and on all around them that matters.
    """
    pid = tl.program_id(0)
    wide = (w2 + 15) // 16
    top, left = pid // wide * 16, pid % wide * 16
    k = tl.arange(0, 1024)
    # Rounds, and one cell more for the edge, lie around the tile.
    y, x = top + k // 32 - rounds - 1, left + k % 32 - rounds - 1
    inside = (y >= 0) & (y < h2) & (x >= 0) & (x < w2)
    e = y * w2 + x
    rough = tl.load(half + e, mask=inside, other=0.0)
    may = tl.load(flat + e, mask=inside, other=0.0) > 0
    may = may & (rough > 0.25) & inside
    core = tl.load(sure + e, mask=inside, other=0.0) > 0
    held = scratch + pid * 3072
    for turn in tl.static_range(rounds):
        now = held + (turn % 2) * 1024
        tl.store(now + k, tl.where(core & inside, rough, -1.0))
        tl.debug_barrier()
        reach = tl.zeros((1024,), tl.float32) - 1.0
        for dy in tl.static_range(-1, 2):
            row = clamped(k // 32 + dy, 32) * 32
            for dx in tl.static_range(-1, 2):
                reach = tl.maximum(reach, tl.load(now + row + clamped(k % 32 + dx, 32)))
        core = core | (may & (reach > 0) & (reach - rough < 0.13))
    solid = held + 2048
    tl.store(solid + k, tl.where(core | (inside == 0), 1.0, 0.0))
    tl.debug_barrier()
    c = tl.arange(0, 256)
    row, column = c // 16 + rounds + 1, c % 16 + rounds + 1
    y, x = top + c // 16, left + c % 16
    inside = (y < h2) & (x < w2)
    own = tl.load(solid + row * 32 + column) > 0
    lowest = tl.zeros((256,), tl.float32) + 1.0
    for dy in tl.static_range(-1, 2):
        for dx in tl.static_range(-1, 2):
            lowest = tl.minimum(lowest, tl.load(solid + (row + dy) * 32 + column + dx))
    edge = inside & own & (lowest < 0.5)
    sharp = edge & (least(half, y, x, h2, w2, 3, inside) < 0.1)
    e = y * w2 + x
    tl.store(wider + e, own.to(tl.float32), mask=inside)
    a, b = sharp.to(tl.float32), edge.to(tl.float32)
    tl.store(sums + e, a, mask=inside)
    tl.store(sums + cells + e, b, mask=inside)
    a, known = means(a, inside, 1, 16)
    b, _ = means(b, inside, 1, 16)
    keep_tile(sums, cells, a, b, known, top // 2, left // 2, h2, w2, 1, 8)
    a, more = means(a, known, 1, 8)
    b, _ = means(b, known, 1, 8)
    keep_tile(sums, cells, a, b, more, top // 4, left // 4, h2, w2, 2, 4)


@triton.jit
def keep_tile(sums, cells, a, b, inside, top, left, h, w, level: tl.constexpr,
              side: tl.constexpr):  # fmt: skip
    """A tile of a level of a pyramid of two channels."""
    at, _, wl = level_of(h, w, level)
    c = tl.arange(0, side * side)
    e = at + (top + c // side) * wl + left + c % side
    tl.store(sums + e, a, mask=inside)
    tl.store(sums + cells + e, b, mask=inside)


@triton.jit
def surroundings(fields, rough, lit, strange, told, pid, h, w, near_r: tl.constexpr,
                 low_r: tl.constexpr, lower_r: tl.constexpr, one: tl.constexpr,
                 two: tl.constexpr, three: tl.constexpr, block: tl.constexpr):  # fmt: skip
    """What pixels' neighbourhoods say without the core: near, extremes, texture, means."""
    e, y, x, inside = flat_places(pid, h, w, block)
    n = h * w
    noise = tl.load(told)
    low, high = extremes(rough, y, x, h, w, low_r, inside)
    nearest = high
    if near_r != low_r:
        nearest = most(rough, y, x, h, w, near_r, inside)
    odd = most(strange, y, x, h, w, near_r, inside) > tl.maximum(0.1, 3 * noise)
    odd = odd | (nearest > tl.maximum(0.04, 1.5 * noise))
    tl.store(fields + NEAR * n + e, odd.to(tl.float32), mask=inside)
    around = fields + AROUND * n + e
    tl.store(around, low, mask=inside)
    tl.store(around + n, high, mask=inside)
    low, high = extremes(rough, y, x, h, w, lower_r, inside)
    tl.store(around + 2 * n, low, mask=inside)
    tl.store(around + 3 * n, high, mask=inside)
    mean, square = tl.zeros((block,), tl.float32), tl.zeros((block,), tl.float32)
    for dy in range(-low_r, low_r + 1):
        row = clamped(y + dy, h) * w
        for dx in tl.static_range(-low_r, low_r + 1):
            level = tl.load(lit + row + clamped(x + dx, w), mask=inside, other=0.0)
            mean += level
            square += level * level
    side = (2 * low_r + 1) * (2 * low_r + 1)
    mean, square = mean / side, square / side
    texture = tl.sqrt(tl.maximum(square - mean * mean, 0.0))
    tl.store(around + 4 * n, texture, mask=inside)
    tl.store(around + 5 * n, mean, mask=inside)
    direct_means(around + 6 * n, rough, y, x, h, w, one, two, three, inside)


@triton.jit
def direct_means(out, plane, y, x, h, w, one: tl.constexpr, two: tl.constexpr,
                 three: tl.constexpr, inside):  # fmt: skip
    """`features._wide_mean` of a plane where that is not pooled, for three radii."""
    n = h * w
    if one == 1:
        mean = softened_twice(plane, y, x, h, w, inside)
        tl.store(out, mean, mask=inside)
        if two == 1:
            tl.store(out + n, mean, mask=inside)
        if three == 1:
            tl.store(out + 2 * n, mean, mask=inside)


@kernel
def spread_share(sums, filled, fields, rough, lit, strange, told, h, w, h2, w2, h8, w8, cells,
                 last: tl.constexpr, near_r: tl.constexpr, low_r: tl.constexpr,
                 lower_r: tl.constexpr, one: tl.constexpr, two: tl.constexpr,
                 three: tl.constexpr, block: tl.constexpr, flat: tl.constexpr):  # fmt: skip
    """How sharp the edges are, spread, by one program; meanwhile, the surroundings."""
    pid = tl.program_id(0)
    if pid == 0:
        at, _, _ = level_of(h2, w2, 2)
        fill(sums + at, sums + cells + at, filled + at, h8, w8, last, block)
    else:
        surroundings(fields, rough, lit, strange, told, pid - 1, h, w, near_r, low_r, lower_r,
                     one, two, three, flat)  # fmt: skip


@kernel
def keep_sharp(sums, filled, sure, wider, solid, h2, w2, cells, block: tl.constexpr):  # fmt: skip
    """The core as far as it was followed to sharp edges."""
    e, y, x, inside = flat_places(tl.program_id(0), h2, w2, block)
    share = filled_two(sums, sums + cells, filled, y, x, h2, w2, 0, inside)
    found = (tl.load(wider + e, mask=inside, other=0.0) > 0) & (share > 0.6)
    found = found | (tl.load(sure + e, mask=inside, other=0.0) > 0)
    tl.store(solid + e, found.to(tl.float32), mask=inside)
