"""What a live frame tells the network, as `models.features.context` tells it."""

from __future__ import annotations

import numpy as np

from models import features
from models.color import LUMA_WEIGHTS, Matrix
from models.kernels.cpu.compiled import kernel
from models.kernels.cpu.neighbourhood import Array, enlarge, grow, pool, shrink, soften

_KR, _KB = (np.float32(x) for x in LUMA_WEIGHTS[Matrix.BT709])
_KG = np.float32(1 - LUMA_WEIGHTS[Matrix.BT709][0] - LUMA_WEIGHTS[Matrix.BT709][1])
_ZERO, _FOUR, _SIX = np.float32(0), np.float32(4), np.float32(6)
_NINTH = np.float32(1 / 9)
_FLOOR = np.float32(features._FLOOR)
_MARGIN = 3
"""Pixels about what may be looked up: interpolation needs one, and as many again where a scaled
frame and its analysis lie a part of a pixel apart."""


@kernel()
def mean_of_nine(src: Array, between: Array, out: Array) -> None:
    """Mean over a square of three pixels, the edge repeated."""
    h, w = src.shape
    for y in range(h):
        row, to = src[y], between[y]
        for x in range(1, w - 1):
            to[x] = row[x - 1] + row[x] + row[x + 1]
        to[0] = row[0] + row[0] + row[min(1, w - 1)]
        to[w - 1] = row[max(w - 2, 0)] + row[w - 1] + row[w - 1]
    for y in range(h):
        above, row, below = between[max(y - 1, 0)], between[y], between[min(y + 1, h - 1)]
        to = out[y]
        for x in range(w):
            to[x] = (above[x] + row[x] + below[x]) * _NINTH


@kernel()
def ratio(src: Array, key: Array, top: int, bottom: int, left: int, right: int, out: Array) -> None:
    """Square roots of a field's share of the screen's channel, within a window."""
    for y in range(top, bottom):
        row, bare, to = src[y, left:right], key[y, left:right], out[y, left:right]
        for x in range(right - left):
            v = row[x] / (bare[x] if bare[x] > _FLOOR else _FLOOR)
            v = v if v > _ZERO else _ZERO
            to[x] = np.sqrt(v if v < _SIX else _SIX)


@kernel()
def put(src: Array, top: int, bottom: int, left: int, right: int, out: Array) -> None:
    """Copy a window."""
    for y in range(top, bottom):
        row, to = src[y, left:right], out[y, left:right]
        for x in range(right - left):
            to[x] = row[x]


@kernel()
def wide_mean(src: Array, factor: int, between: Array, work: Array, out: Array) -> None:
    """A mean over a wide neighbourhood, made on a copy that is smaller by ``factor``."""
    if factor == 1:
        soften(src, between, out)
        soften(out, between, out)
        return
    size = (src.shape[0] + factor - 1) // factor, (src.shape[1] + factor - 1) // factor
    small, other = np.empty(size, np.float32), np.empty(size, np.float32)
    pool(src, factor, small)
    soften(small, other, small)
    soften(small, other, small)
    enlarge(small, between, out)


@kernel(
    "void(f4[:,:,::1], f4[:,:,::1], i8, f4[:,:,::1], f4[:,::1], f4[:,::1], f4[:,::1], i8, i8, i8,"
    "i8, i8, f4[:,:,::1], f4[:,:,::1], f4[:,:,::1])"
)
def describe(
    rgb: Array, back: Array, key: int, front: Array, core: Array, own_key: Array, near: Array,
    far: int, fine: int, middle: int, coarse: int, factor: int, planes: Array, around: Array,
    overview: Array,
) -> None:  # fmt: skip
    """Describe a frame; ``around`` only in the window of ``near`` and a margin.

    Args:
        rgb, back, front: (3, h, w): the frame, the bare screen, the foreground.
        key: the screen's channel.
        core, own_key, near: (h, w), as in `models.matte.Subject`.
        far: pixels that the least and most are looked for beyond their first.
        fine, middle, coarse: how much smaller the copies are of which means are made.
        factor: how much smaller the overview is.
        planes: memory; the last three as `subject_of` left them.
        around: (19, h, w), zeros.
        overview: (9, ceil(h / factor), ceil(w / factor)).
    """
    h, w = core.shape
    between, work, level, texture = planes[0], planes[1], planes[2], planes[3]
    rough, low, high = planes[5], planes[6], planes[7]
    other = 3 - key
    first, last, left, right = h, -1, w, -1
    for y in range(h):
        row = near[y]
        count = 0
        for x in range(w):
            count += 1 if row[x] > _ZERO else 0
        if count:
            first, last = min(first, y), y
            x = 0
            while x < left and row[x] <= _ZERO:
                x += 1
            left = min(left, x)
            x = w - 1
            while x > right and row[x] <= _ZERO:
                x -= 1
            right = max(right, x)
    top, bottom = max(first - _MARGIN, 0), min(last + 1 + _MARGIN, h)
    left, right = max(left - _MARGIN, 0), min(right + 1 + _MARGIN, w)
    if last < 0:
        top, bottom, left, right = 0, 0, 0, 0
    for y in range(h):
        r, g, b, to = rgb[0, y], rgb[1, y], rgb[2, y], level[y]
        one, two, three = back[0, y], back[1, y], back[2, y]
        for x in range(w):
            bare = _KR * one[x] + _KG * two[x] + _KB * three[x]
            v = (_KR * r[x] + _KG * g[x] + _KB * b[x]) / (bare if bare > _FLOOR else _FLOOR)
            v = v if v > _ZERO else _ZERO
            to[x] = np.sqrt(v if v < _FOUR else _FOUR)
    mean_of_nine(level, between, work)
    put(work, top, bottom, left, right, around[5])
    for y in range(h):
        row = level[y]
        for x in range(w):
            row[x] *= row[x]
    mean_of_nine(level, between, texture)
    for y in range(h):
        row, to = work[y], texture[y]
        for x in range(w):
            v = to[x] - row[x] * row[x]
            to[x] = np.sqrt(v if v > _ZERO else _ZERO)
    put(low, top, bottom, left, right, around[0])
    put(high, top, bottom, left, right, around[1])
    put(texture, top, bottom, left, right, around[4])
    put(own_key, top, bottom, left, right, around[17])
    put(core, top, bottom, left, right, around[18])
    if last >= 0:
        # All of what a window's least and most are looked for in.
        a, b = max(top - far, 0), min(bottom + far, h)
        shrink(low[a:b], far, between[a:b], work[a:b])
        put(work, top, bottom, left, right, around[2])
        grow(high[a:b], far, between[a:b], work[a:b])
        put(work, top, bottom, left, right, around[3])
        for part in range(2):
            of = core if part else rough
            done = 0
            for k in range(3):
                smaller = fine if k == 0 else (middle if k == 1 else coarse)
                if smaller != done:
                    wide_mean(of, smaller, between, level, work)
                done = smaller
                put(work, top, bottom, left, right, around[6 + 3 * part + k])
        ratio(back[0], back[key], top, bottom, left, right, around[12])
        ratio(back[other], back[key], top, bottom, left, right, around[13])
        ratio(front[key], back[key], top, bottom, left, right, around[14])
        ratio(front[0], back[key], top, bottom, left, right, around[15])
        ratio(front[other], back[key], top, bottom, left, right, around[16])
    for k in range(3):
        channel = key if k == 0 else (0 if k == 1 else other)
        ratio(rgb[channel], back[key], 0, h, 0, w, work)
        pool(work, factor, overview[k])
    pool(rough, factor, overview[3])
    pool(core, factor, overview[4])
    pool(low, factor, overview[5])
    pool(high, factor, overview[6])
    pool(texture, factor, overview[7])
    pool(own_key, factor, overview[8])
