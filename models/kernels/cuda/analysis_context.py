# mypy: disable-error-code="no-untyped-def,no-untyped-call,untyped-decorator,misc"
"""What the network is told about a frame, and its convolution over the overview.

As the end of `models.matte.find_subject`, `models.features.context` and the ``shapes`` of
`models.estimator.Estimator`.
"""

from __future__ import annotations

import triton
import triton.language as tl

from models.kernels.cuda.analysis_screen import HUE, colours, split
from models.kernels.cuda.analysis_subject import step
from models.kernels.cuda.neighbourhood import (
    begin,
    between,
    clamped,
    enlarged,
    filled_one,
    flat_places,
    least,
    mixed,
    most,
    softened_twice,
)

NEAR, SOLID, FRONT, OWN_KEY = tl.constexpr(3), tl.constexpr(4), tl.constexpr(6), tl.constexpr(9)
AROUND = tl.constexpr(10)
"""First channels of the fields."""


@triton.jit
def key_at(deep, filled, y, x, h4, w4, hue, first: tl.constexpr, inside):
    """`matte._own_key` of the colour deep inside, at places of its squares."""
    if first == 1:
        red = filled_one(deep, filled, y, x, h4, w4, 0, 0, 4, inside)
        green = filled_one(deep, filled, y, x, h4, w4, 0, 1, 4, inside)
        blue = filled_one(deep, filled, y, x, h4, w4, 0, 2, 4, inside)
    else:
        n, e = h4 * w4, y * w4 + x
        red = tl.load(filled + e, mask=inside, other=0.0)
        green = tl.load(filled + n + e, mask=inside, other=0.0)
        blue = tl.load(filled + 2 * n + e, mask=inside, other=0.0)
    key, other = split(red, green, blue, hue)
    total = red + other
    above = tl.minimum(key, tl.maximum(red, other)) - total / 2
    return tl.minimum(tl.maximum(above / tl.maximum(total, 1e-3), 0.0), 0.5)


@triton.jit
def ratio(x, key):
    """`features._ratio`."""
    return tl.sqrt(tl.minimum(tl.maximum(x / key, 0.0), 6.0))


@triton.jit
def wide_at(plane, pooled, y, x, h, w, factor: tl.constexpr, inside):
    """`features._wide_mean` at single places."""
    if factor == 1:
        return softened_twice(plane, y, x, h, w, inside)
    hp, wp = (h + factor - 1) // factor, (w + factor - 1) // factor
    y0, y1, down = between(y, hp, h)
    x0, x1, across = between(x, wp, w)
    return mixed(
        softened_twice(pooled, y0, x0, hp, wp, inside),
        softened_twice(pooled, y0, x1, hp, wp, inside),
        softened_twice(pooled, y1, x0, hp, wp, inside),
        softened_twice(pooled, y1, x1, hp, wp, inside),
        down,
        across,
    )


@triton.jit
def describe(fields, kept, rough, core, lit, strange, front, deep, inside_filled, pooled, told,
             seen, state, h, w, h2, w2, h4, w4, deep_first: tl.constexpr, near_r: tl.constexpr,
             low_r: tl.constexpr, lower_r: tl.constexpr, one: tl.constexpr, two: tl.constexpr,
             three: tl.constexpr, block: tl.constexpr, early: tl.constexpr):  # fmt: skip
    """All fields of the subject and its surroundings, and what the overview is pooled from."""
    begin(early)
    e, y, x, inside = flat_places(tl.program_id(0), h, w, block)
    n = h * w
    hue = tl.load(state + HUE).to(tl.int32)
    noise = tl.load(told)
    own = tl.load(rough + e, mask=inside, other=0.0)
    sure = tl.load(core + e, mask=inside, other=0.0)
    odd = most(strange, y, x, h, w, near_r, inside) > tl.maximum(0.1, 3 * noise)
    odd = odd | (most(rough, y, x, h, w, near_r, inside) > tl.maximum(0.04, 1.5 * noise))
    tl.store(fields + NEAR * n + e, odd.to(tl.float32), mask=inside)
    solid = (step(sure, 0.2, 0.9) > 0.99).to(tl.float32)
    tl.store(fields + SOLID * n + e, solid, mask=inside)
    bare_red, bare_green, bare_blue = colours(fields, n, tl.where(inside, e, n))
    bare_key, bare_other = split(bare_red, bare_green, bare_blue, hue)
    key = tl.maximum(bare_key, 0.005)
    front_red = enlarged(front, y, x, h2, w2, h, w, inside)
    front_green = enlarged(front + h2 * w2, y, x, h2, w2, h, w, inside)
    front_blue = enlarged(front + 2 * h2 * w2, y, x, h2, w2, h, w, inside)
    tl.store(fields + FRONT * n + e, front_red, mask=inside)
    tl.store(fields + (FRONT + 1) * n + e, front_green, mask=inside)
    tl.store(fields + (FRONT + 2) * n + e, front_blue, mask=inside)
    y0, y1, down = between(y, h4, h)
    x0, x1, across = between(x, w4, w)
    own_key = mixed(
        key_at(deep, inside_filled, y0, x0, h4, w4, hue, deep_first, inside),
        key_at(deep, inside_filled, y0, x1, h4, w4, hue, deep_first, inside),
        key_at(deep, inside_filled, y1, x0, h4, w4, hue, deep_first, inside),
        key_at(deep, inside_filled, y1, x1, h4, w4, hue, deep_first, inside),
        down,
        across,
    )
    tl.store(fields + OWN_KEY * n + e, own_key, mask=inside)
    around = fields + AROUND * n + e
    low = least(rough, y, x, h, w, low_r, inside)
    high = most(rough, y, x, h, w, low_r, inside)
    tl.store(around, low, mask=inside)
    tl.store(around + n, high, mask=inside)
    tl.store(around + 2 * n, least(rough, y, x, h, w, lower_r, inside), mask=inside)
    tl.store(around + 3 * n, most(rough, y, x, h, w, lower_r, inside), mask=inside)
    mean, square = tl.zeros((block,), tl.float32), tl.zeros((block,), tl.float32)
    for dy in tl.static_range(-low_r, low_r + 1):
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
    rough_one = wide_at(rough, pooled, y, x, h, w, one, inside)
    core_one = wide_at(core, pooled + n, y, x, h, w, one, inside)
    rough_two, core_two = rough_one, core_one
    if two != one:
        rough_two = wide_at(rough, pooled + 2 * n, y, x, h, w, two, inside)
        core_two = wide_at(core, pooled + 3 * n, y, x, h, w, two, inside)
    tl.store(around + 6 * n, rough_one, mask=inside)
    tl.store(around + 7 * n, rough_two, mask=inside)
    rough_one = wide_at(rough, pooled + 4 * n, y, x, h, w, three, inside)
    tl.store(around + 8 * n, rough_one, mask=inside)
    tl.store(around + 9 * n, core_one, mask=inside)
    tl.store(around + 10 * n, core_two, mask=inside)
    core_one = wide_at(core, pooled + 5 * n, y, x, h, w, three, inside)
    tl.store(around + 11 * n, core_one, mask=inside)
    front_key, front_other = split(front_red, front_green, front_blue, hue)
    tl.store(around + 12 * n, ratio(bare_red, key), mask=inside)
    tl.store(around + 13 * n, ratio(bare_other, key), mask=inside)
    tl.store(around + 14 * n, ratio(front_key, key), mask=inside)
    tl.store(around + 15 * n, ratio(front_red, key), mask=inside)
    tl.store(around + 16 * n, ratio(front_other, key), mask=inside)
    tl.store(around + 17 * n, own_key, mask=inside)
    tl.store(around + 18 * n, sure, mask=inside)
    red, green, blue = colours(kept, n, tl.where(inside, e, n))
    shown_key, shown_other = split(red, green, blue, hue)
    tl.store(seen + e, ratio(shown_key, key), mask=inside)
    tl.store(seen + n + e, ratio(red, key), mask=inside)
    tl.store(seen + 2 * n + e, ratio(shown_other, key), mask=inside)
    tl.store(seen + 3 * n + e, own, mask=inside)
    tl.store(seen + 4 * n + e, sure, mask=inside)
    tl.store(seen + 5 * n + e, low, mask=inside)
    tl.store(seen + 6 * n + e, high, mask=inside)
    tl.store(seen + 7 * n + e, texture, mask=inside)
    tl.store(seen + 8 * n + e, own_key, mask=inside)


@triton.jit
def convolve(source, weights, bias, last_weights, last_bias, out, full_h, full_w, h, w,
             channels: tl.constexpr, kept: tl.constexpr, dilation: tl.constexpr,
             factor: tl.constexpr, last: tl.constexpr, block: tl.constexpr,
             early: tl.constexpr):  # fmt: skip
    """One dilated convolution with its rectifier; the last one with what is handed on.

    The first one pools its input by ``factor`` as it reads it.
    """
    begin(early)
    e, y, x, inside = flat_places(tl.program_id(0), h, w, block)
    place = tl.arange(0, 16)
    total = tl.zeros((block, 16), tl.float32) + tl.load(bias + place)[None, :]
    for tap in tl.static_range(9):
        row, column = y + (tap // 3 - 1) * dilation, x + (tap % 3 - 1) * dilation
        there = inside & (row >= 0) & (row < h) & (column >= 0) & (column < w)
        for c in tl.static_range(channels):
            if factor == 1:
                at = source + c * h * w + row * w + column
                value = tl.load(at, mask=there, other=0.0)
            else:
                value = tl.zeros((block,), tl.float32)
                for k in tl.static_range(factor * factor):
                    one, two = row * factor + k // factor, column * factor + k % factor
                    at = source + c * full_h * full_w + one * full_w + two
                    value += tl.load(at, mask=there & (one < full_h) & (two < full_w), other=0.0)
                count = tl.minimum(full_h - row * factor, factor)
                count = count * tl.minimum(full_w - column * factor, factor)
                value = value / tl.maximum(count, 1).to(tl.float32)
            line = tl.load(weights + (tap * channels + c) * 16 + place)
            total += value[:, None] * line[None, :]
    total = tl.maximum(total, 0.0)
    if last:
        for o in tl.static_range(8):
            line = tl.load(last_weights + o * 16 + place)
            value = tl.sum(total * line[None, :], 1) + tl.load(last_bias + o)
            tl.store(out + o * h * w + e, value, mask=inside)
    else:
        at = out + place[None, :] * (h * w) + e[:, None]
        tl.store(at, total, mask=inside[:, None] & (place < kept)[None, :])
