# mypy: disable-error-code="no-untyped-def,no-untyped-call,untyped-decorator,misc"
"""What the network is told about a frame, and its convolution over the overview.

As the end of `models.matte.find_subject`, `models.features.context` and the ``shapes`` of
`models.estimator.Estimator`.
"""

from __future__ import annotations

import triton
import triton.language as tl

from models.kernels.cuda.analysis_screen import HUE, colours, split
from models.kernels.cuda.analysis_subject import AROUND, step
from models.kernels.cuda.neighbourhood import (
    enlarged,
    filled_one,
    filled_two,
    flat_places,
    kernel,
)

SOLID, FRONT, OWN_KEY = tl.constexpr(4), tl.constexpr(6), tl.constexpr(9)
"""First channels of the fields."""


@triton.jit
def keep_key(deep, filled, own, state, pid, h4, w4, cells, block: tl.constexpr):
    """`matte._own_key` of the colour deep inside, at its squares."""
    e, y, x, inside = flat_places(pid, h4, w4, block)
    hue = tl.load(state + HUE).to(tl.int32)
    weights = deep + 3 * cells
    red = filled_one(deep, weights, filled, y, x, h4, w4, 0, inside)
    green = filled_one(deep + cells, weights, filled + cells, y, x, h4, w4, 0, inside)
    blue = filled_one(deep + 2 * cells, weights, filled + 2 * cells, y, x, h4, w4, 0, inside)
    key, other = split(red, green, blue, hue)
    total = red + other
    above = tl.minimum(key, tl.maximum(red, other)) - total / 2
    found = tl.minimum(tl.maximum(above / tl.maximum(total, 1e-3), 0.0), 0.5)
    tl.store(own + e, found, mask=inside)


@triton.jit
def keep_front(sums, filled, front, c, pid, h2, w2, cells, block: tl.constexpr):
    """A channel of the subject's spread colour at half size."""
    e, y, x, inside = flat_places(pid, h2, w2, block)
    value = filled_two(sums + c * cells, sums + 3 * cells, filled + c * cells, y, x, h2, w2, 0,
                       inside)  # fmt: skip
    tl.store(front + c * h2 * w2 + e, value, mask=inside)


@kernel
def take_colour(sums, filled, front, deep, deep_filled, own, state, h2, w2, h4, w4, cells,
                deep_cells, halves: tl.constexpr, block: tl.constexpr):  # fmt: skip
    """The subject's colour at half size, and how much of the screen's channel is its own."""
    pid = tl.program_id(0)
    if pid < 3 * halves:
        keep_front(sums, filled, front, pid // halves, pid % halves, h2, w2, cells, block)
    else:
        keep_key(deep, deep_filled, own, state, pid - 3 * halves, h4, w4, deep_cells, block)


@triton.jit
def ratio(x, key):
    """`features.share`."""
    return tl.sqrt(tl.minimum(tl.maximum(x / key, 0.0), 6.0))


@triton.jit
def wide_mean(out, soft, y, x, h, w, factor: tl.constexpr, inside):
    """`features._wide_mean` from pooled means that were softened."""
    if factor > 1:
        hp, wp = (h + factor - 1) // factor, (w + factor - 1) // factor
        tl.store(out, enlarged(soft, y, x, hp, wp, h, w, inside), mask=inside)


@kernel
def describe(fields, kept, rough, core, front, own, soft, seen, state, h, w, h2, w2, h4, w4,
             one: tl.constexpr, two: tl.constexpr, three: tl.constexpr,
             factor: tl.constexpr, side: tl.constexpr, block: tl.constexpr):  # fmt: skip
    """The fields that need the subject's colour, and the overview for the convolution."""
    count: tl.constexpr = block // (side * side)
    k, start = tl.arange(0, block), tl.program_id(0) * count
    # Pixels of one value of the overview lie side by side.
    high, wide = (h + factor - 1) // factor, (w + factor - 1) // factor
    square, down, across = start + k // (side * side), k // side % side, k % side
    y, x = square // wide * factor + down, square % wide * factor + across
    inside = (square < high * wide) & (down < factor) & (across < factor) & (y < h) & (x < w)
    n, e = h * w, y * w + x
    hue = tl.load(state + HUE).to(tl.int32)
    sure = tl.load(core + e, mask=inside, other=0.0)
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
    own_key = enlarged(own, y, x, h4, w4, h, w, inside)
    tl.store(fields + OWN_KEY * n + e, own_key, mask=inside)
    around = fields + AROUND * n + e
    wide_mean(around + 6 * n, soft, y, x, h, w, one, inside)
    wide_mean(around + 7 * n, soft + 2 * n, y, x, h, w, two, inside)
    wide_mean(around + 8 * n, soft + 4 * n, y, x, h, w, three, inside)
    wide_mean(around + 9 * n, soft + n, y, x, h, w, one, inside)
    wide_mean(around + 10 * n, soft + 3 * n, y, x, h, w, two, inside)
    wide_mean(around + 11 * n, soft + 5 * n, y, x, h, w, three, inside)
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
    places = start + tl.arange(0, count)
    # Channels last: a value's lie together for the convolution.
    at, m = seen + places * 16, high * wide
    shown_key, shown_red = ratio(shown_key, key), ratio(red, key)
    lowest = tl.load(around, mask=inside, other=0.0)
    highest = tl.load(around + n, mask=inside, other=0.0)
    texture = tl.load(around + 4 * n, mask=inside, other=0.0)
    own_rough = tl.load(rough + e, mask=inside, other=0.0)
    overlook(at, shown_key, inside, m, places, count)
    overlook(at + 1, shown_red, inside, m, places, count)
    overlook(at + 2, ratio(shown_other, key), inside, m, places, count)
    overlook(at + 3, own_rough, inside, m, places, count)
    overlook(at + 4, sure, inside, m, places, count)
    overlook(at + 5, lowest, inside, m, places, count)
    overlook(at + 6, highest, inside, m, places, count)
    overlook(at + 7, texture, inside, m, places, count)
    overlook(at + 8, own_key, inside, m, places, count)


@triton.jit
def halves_of(value):
    """A value as the sum of two in float16: to 22 bits, or to 3e-8 where it is small."""
    coarse = value.to(tl.float16)
    return coarse, (value - coarse.to(tl.float32)).to(tl.float16)


@triton.jit
def overlook(at, value, inside, m, places, count: tl.constexpr):
    """A channel pooled over the pixels of each value of the overview."""
    side: tl.constexpr = value.shape[0] // count
    total = tl.sum(tl.reshape(tl.where(inside, value, 0.0), (count, side)), 1)
    number = tl.sum(tl.reshape(inside.to(tl.float32), (count, side)), 1)
    coarse, fine = halves_of(total / tl.maximum(number, 1.0))
    tl.store(at, coarse, mask=places < m)
    tl.store(at + m * 16, fine, mask=places < m)


@triton.jit
def tapped(source, y, x, inside, h, w, k, dilation: tl.constexpr):
    """What the taps of a convolution see: 16 channels of each, side by side."""
    row = y[:, None] + ((k // 48 - 1) * dilation)[None, :]
    column = x[:, None] + ((k // 16 % 3 - 1) * dilation)[None, :]
    there = inside[:, None] & (row >= 0) & (row < h) & (column >= 0) & (column < w)
    place = source + (row * w + column) * 16 + (k % 16)[None, :]
    coarse = tl.load(place, mask=there, other=0.0)
    return coarse, tl.load(place + h * w * 16, mask=there, other=0.0)


@triton.jit
def product(coarse, fine, weights, apart: tl.constexpr, place, total):
    """A product of values and weights in two halves each, but for what is least."""
    line = tl.load(weights + place)
    total = tl.dot(coarse, line, total)
    total = tl.dot(fine, line, total)
    return tl.dot(coarse, tl.load(weights + apart + place), total)


@kernel
def convolve(source, weights, bias, last_weights, last_bias, out, h, w, dilation: tl.constexpr,
             last: tl.constexpr, block: tl.constexpr):  # fmt: skip
    """One dilated convolution with its rectifier; the last one with what is handed on.

    Channels come last and are filled up to 16. Values and weights are sums of two in float16:
    three products of them are nearly as exact as float32, and run on tensor cores.
    """
    e, y, x, inside = flat_places(tl.program_id(0), h, w, block)
    c = tl.arange(0, 16)
    square = c[:, None] * 16 + c[None, :]
    total = tl.zeros((block, 16), tl.float32) + tl.load(bias + c)[None, :]
    # Eight taps at once: products that wait for each other take as long as many.
    k = tl.arange(0, 128)
    coarse, fine = tapped(source, y, x, inside, h, w, k, dilation)
    more, finer = tapped(source, y, x, inside, h, w, c + 128, dilation)
    total = product(coarse, fine, weights, 2304, k[:, None] * 16 + c[None, :], total)
    total = product(more, finer, weights, 2304, 2048 + square, total)
    coarse, fine = halves_of(tl.maximum(total, 0.0))
    if last:
        told = tl.zeros((block, 16), tl.float32) + tl.load(last_bias + c)[None, :]
        told = product(coarse, fine, last_weights, 256, square, told)
        at = out + c[None, :] * (h * w) + e[:, None]
        tl.store(at, told, mask=inside[:, None] & (c < 8)[None, :])
    else:
        at = out + e[:, None] * 16 + c[None, :]
        tl.store(at, coarse, mask=inside[:, None])
        tl.store(at + h * w * 16, fine, mask=inside[:, None])
