"""What a live frame tells the network, as `models.features.context` tells it."""

from __future__ import annotations

import numpy as np
import torch

from models import features
from models.color import LUMA_WEIGHTS, Matrix
from models.features import Context, radius
from models.kernels.cpu.compiled import kernel
from models.kernels.cpu.neighbourhood import Array, enlarge, grow, pool, shrink, soften_twice
from models.kernels.cpu.ranking import f4
from models.kernels.cpu.workspace import Room

_KR, _KB = (f4(x) for x in LUMA_WEIGHTS[Matrix.BT709])
_KG = f4(1 - LUMA_WEIGHTS[Matrix.BT709][0] - LUMA_WEIGHTS[Matrix.BT709][1])
_ZERO, _FOUR, _SIX = f4(0), f4(4), f4(6)
_NINTH = f4(1 / 9)
_FLOOR = f4(features.FLOOR)
_MARGIN = 3
"""Pixels about what may be looked up: interpolation needs one, and as many again where a scaled
frame and its analysis lie a part of a pixel apart."""


@kernel("void(f4[:,::1], f4[:,::1], f4[:,::1])")
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


@kernel("void(f4[:,::1], f4[:,::1], i8, i8, i8, i8, f4[:,::1])")
def ratio(src: Array, key: Array, top: int, bottom: int, left: int, right: int, out: Array) -> None:
    """Square roots of a field's share of the screen's channel, within a window."""
    for y in range(top, bottom):
        row, bare, to = src[y, left:right], key[y, left:right], out[y, left:right]
        for x in range(right - left):
            v = row[x] / (bare[x] if bare[x] > _FLOOR else _FLOOR)
            v = v if v > _ZERO else _ZERO
            to[x] = np.sqrt(v if v < _SIX else _SIX)


@kernel("void(f4[:,::1], i8, i8, i8, i8, f4[:,::1])")
def put(src: Array, top: int, bottom: int, left: int, right: int, out: Array) -> None:
    """Copy a window."""
    for y in range(top, bottom):
        row, to = src[y, left:right], out[y, left:right]
        for x in range(right - left):
            to[x] = row[x]


@kernel("void(f4[:,:,::1], f4[:,:,::1], f4[:,::1], f4[:,::1])")
def levels_of(rgb: Array, back: Array, out: Array, square: Array) -> None:
    """Square roots of the light over the bare screen's, and their squares."""
    for y in range(out.shape[0]):
        r, g, b, to = rgb[0, y], rgb[1, y], rgb[2, y], out[y]
        one, two, three, other = back[0, y], back[1, y], back[2, y], square[y]
        for x in range(out.shape[1]):
            bare = _KR * one[x] + _KG * two[x] + _KB * three[x]
            v = (_KR * r[x] + _KG * g[x] + _KB * b[x]) / (bare if bare > _FLOOR else _FLOOR)
            v = v if v > _ZERO else _ZERO
            to[x] = np.sqrt(v if v < _FOUR else _FOUR)
        for x in range(out.shape[1]):
            other[x] = to[x] * to[x]


@kernel("void(f4[:,::1], f4[:,::1])")
def deviation(mean: Array, out: Array) -> None:
    """From a mean of squares, which ``out`` is, to the deviation."""
    for y in range(out.shape[0]):
        row, to = mean[y], out[y]
        for x in range(out.shape[1]):
            v = to[x] - row[x] * row[x]
            to[x] = np.sqrt(v if v > _ZERO else _ZERO)


def _window(mask: Array) -> tuple[int, int, int, int]:
    """First and last rows and columns that may be looked up about a mask."""
    rows, columns = mask.any(1).nonzero()[0], mask.any(0).nonzero()[0]
    if not len(rows):
        return 0, 0, 0, 0
    return (
        max(int(rows[0]) - _MARGIN, 0),
        min(int(rows[-1]) + 1 + _MARGIN, mask.shape[0]),
        max(int(columns[0]) - _MARGIN, 0),
        min(int(columns[-1]) + 1 + _MARGIN, mask.shape[1]),
    )


def _wide_mean(src: Array, factor: int, between: Array, out: Array) -> None:
    """A mean over a wide neighbourhood, made on a copy that is smaller by ``factor``."""
    if factor == 1:
        soften_twice(src, between, out)
        return
    size = -(-src.shape[0] // factor), -(-src.shape[1] // factor)
    small, other = np.empty((2, *size), np.float32)
    pool(src, factor, small)
    soften_twice(small, other, small)
    enlarge(small, between, out)


def described(
    rgb: Array, back: Array, key: int, front: Array, core: Array, own_key: Array, near: Array,
    room: Room,
) -> Context:  # fmt: skip
    """Describe a frame; ``around`` only in the window of ``near`` and a margin, else 0.

    Args:
        rgb, back, front: (3, h, w): the frame, the bare screen, the foreground.
        key: the screen's channel.
        core, own_key: (h, w), as in `models.matte.Subject`.
        near: (h, w) bool, where a pixel may be subject.
        room: memory; its last three planes are the softened difference and its least and most
            within a pixel.
    """
    size = core.shape
    factor = max(1, round(max(size) / features.OVERVIEW))
    window = _window(near)
    told = room.surroundings(window)
    seen = torch.empty(1, 9, -(-size[0] // factor), -(-size[1] // factor))
    around, overview = told[0].numpy(), seen[0].numpy()
    between, work, mean, texture = room.planes[:4]
    rough, low, high = room.planes[5:8]
    other, bare = 3 - key, back[key]
    levels_of(rgb, back, work, texture)
    mean_of_nine(work, between, mean)
    mean_of_nine(texture, between, texture)
    deviation(mean, texture)
    for channel, out in zip((key, 0, other), overview, strict=False):
        ratio(rgb[channel], bare, 0, size[0], 0, size[1], work)
        pool(work, factor, out)
    for field, out in zip((rough, core, low, high, texture, own_key), overview[3:], strict=True):
        pool(field, factor, out)
    if window[0] == window[1]:
        return Context(told, seen)
    for field, k in ((low, 0), (high, 1), (texture, 4), (mean, 5), (own_key, 17), (core, 18)):
        put(field, *window, around[k])
    far = radius(size, 7)
    rows = slice(max(window[0] - far, 0), min(window[1] + far, size[0]))
    shrink(low[rows], far, between[rows], work[rows])
    put(work, *window, around[2])
    grow(high[rows], far, between[rows], work[rows])
    put(work, *window, around[3])
    for of, first in ((rough, 6), (core, 9)):
        made = 0
        for k, pixels in enumerate((4, 12, 40)):
            smaller = max(1, radius(size, pixels) // 2)
            if smaller != made:
                _wide_mean(of, smaller, between, work)
            made = smaller
            put(work, *window, around[first + k])
    shown = (back[0], back[other], front[key], front[0], front[other])
    for field, out in zip(shown, around[12:17], strict=True):
        ratio(field, bare, *window, out)
    return Context(told, seen)
