"""A screen's hue and middle colour, its noise, a plate's misfit; as `models.screen` and `plate`."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import torch
from torch import Tensor

from models.kernels.cpu.compiled import i8, kernel
from models.kernels.cpu.neighbourhood import pool
from models.kernels.cpu.ranking import f4, median, quantile
from models.screen import Hue, Screen

Array = Any

_ZERO, _ONE, _HALF = f4(0), f4(1), f4(0.5)
_FLOOR, _LEAST = f4(0.004), f4(1e-3)
_TOP, _LEVEL = f4(0.95), f4(1e-4)


@kernel()
def pooled(rgb: Array) -> Array:
    """Means over squares of 8 pixels, (3, N), and their number in a row and a column."""
    out = np.empty((3, (rgb.shape[1] + 7) // 8, (rgb.shape[2] + 7) // 8), np.float32)
    for c in range(3):
        pool(rgb[c], i8(8), out[c])
    return out


@kernel()
def purity(rgb: Array, key: int, difference: Array, share: Array) -> None:
    """The colour difference of (3, h, w), and its share of the screen's channel, in one row."""
    i = 0
    for y in range(rgb.shape[1]):
        for x in range(rgb.shape[2]):
            own = rgb[key, y, x]
            above = own - max(rgb[0, y, x], rgb[3 - key, y, x])
            difference[i] = above
            share[i] = above / (own + _FLOOR)
            i += 1


@kernel("f4(f4[:,:,::1], i8, f4[::1])")
def find_hue(rgb: Array, key: int, middle: Array) -> Any:
    """How much a frame is of one hue, 0 where it is not; ``middle`` gets the middle colour."""
    small = pooled(rgb)
    h, w = small.shape[1:]
    strong, share = np.empty(h * w, np.float32), np.empty(h * w, np.float32)
    purity(small, key, strong, share)
    for i in range(h * w):
        strong[i] = max(strong[i], _ZERO) * max(share[i], _ZERO)
    top = quantile(strong, _TOP)
    if top < _FLOOR:
        return _ZERO
    some = np.empty(h * w, np.float32)
    like = 0
    for c in range(3):
        plane = small[c].reshape(h * w)
        like = 0
        for i in range(h * w):
            if strong[i] > _HALF * top:
                some[like] = plane[i]
                like += 1
        middle[c] = median(some[:like])
    around = 0
    for i in range(h * w):
        y, x = i // w, i % w
        if strong[i] > f4(0.15) * top:
            around += (y == 0) + (y > 0 and x == 0) + (y > 0 and x == w - 1)
    beside = around / (w + 2 * (h - 1))
    return f4(like / (h * w) * top * (0.1 + beside))


@kernel("f8(f4[:,:,::1], f4[:,:,::1], i8)")
def misfit(rgb: Array, plate: Array, key: int) -> Any:
    """`models.plate.plate_misfit` of (3, h, w)."""
    frame, bare = pooled(rgb), pooled(plate)
    n = frame.shape[1] * frame.shape[2]
    strong, share = np.empty(n, np.float32), np.empty(n, np.float32)
    other, own = np.empty(n, np.float32), np.empty(n, np.float32)
    purity(frame, key, strong, share)
    purity(bare, key, other, own)
    for i in range(n):
        strong[i] = max(strong[i], _ZERO) * max(share[i], _ZERO)
    least = f4(0.4) * quantile(strong, _TOP)
    now, then = frame[key].reshape(n), bare[key].reshape(n)
    like = 0
    for i in range(n):
        if strong[i] > least:
            other[like] = math.log2(max(now[i], _LEVEL) / max(then[i], _LEVEL))
            own[like] = abs(share[i] - own[i])
            like += 1
    if like == 0:
        return math.nan
    stops, hues = other[:like], own[:like]
    middle = median(stops)
    for i in range(like):
        stops[i] = abs(stops[i] - middle)
    return float(median(stops) + f4(2) * median(hues))


@kernel("f8(f4[:,:,::1], f4[:,:,::1], f4[:,::1], i8)")
def spread_of(pixels: Array, color: Array, sure: Array, key: int) -> float:
    """The standard deviation of the matte where ``sure`` says that there is nothing but screen."""
    total, seen = 0.0, 0.0
    for y in range(sure.shape[0]):
        own, first, second = pixels[key, y], pixels[0, y], pixels[3 - key, y]
        back, one, two, here = color[key, y], color[0, y], color[3 - key, y], sure[y]
        row, weight = _ZERO, _ZERO
        for x in range(sure.shape[1]):
            bare = back[x] - (one[x] if one[x] > two[x] else two[x])
            bare = bare if bare > _LEAST else _LEAST
            off = _ONE - (own[x] - (first[x] if first[x] > second[x] else second[x])) / bare
            row += off * off * here[x]
            weight += here[x]
        total += row
        seen += weight
    return math.sqrt(total / max(seen, 1.0))


@kernel("void(f4[:,::1], f4[:,::1], i8[::1])")
def unclear(sure: Array, hold_out: Array, ends: Array) -> None:
    """First and last row, first and last column that are not surely screen; last below first: none.

    ``ends`` gets the four numbers.
    """
    h, w = sure.shape
    first, last, left, right = h, -1, w, -1
    for y in range(h):
        here, held = sure[y], hold_out[y]
        count = 0
        for x in range(w):
            count += 1 if here[x] < _ONE and held[x] < _ONE else 0
        if count:
            first, last = min(first, y), y
            x = 0
            while x < left and not (here[x] < _ONE and held[x] < _ONE):
                x += 1
            left = min(left, x)
            x = w - 1
            while x > right and not (here[x] < _ONE and held[x] < _ONE):
                x -= 1
            right = max(right, x)
    ends[0], ends[1], ends[2], ends[3] = first, last, left, right


def find(rgb: Tensor, wanted: Hue | None = None) -> tuple[Hue, Tensor] | None:
    """As `models.screen.find`."""
    best: tuple[float, Hue, Tensor] | None = None
    for hue in [wanted] if wanted else list(Hue):
        middle = torch.empty(1, 3, 1, 1)
        much = find_hue(rgb[0].numpy(), hue.value, middle.view(3).numpy())
        if much > 0 and (best is None or much > best[0]):
            best = much, hue, middle
    return None if best is None else (best[1], best[2])


def plate_misfit(rgb: Tensor, plate: Tensor, hue: Hue) -> float:
    """As `models.plate.plate_misfit`."""
    return float(misfit(rgb[0].numpy(), plate[0].numpy(), hue.value))


def noise(screen: Screen, pixels: Tensor) -> float:
    """As `Screen.noise`."""
    sure = screen.sure[0, 0].numpy()
    return float(spread_of(pixels[0].numpy(), screen.color[0].numpy(), sure, screen.hue.value))


def unclear_within(
    screen: Screen, hold_out: Tensor, factor: int, size: tuple[int, int]
) -> tuple[slice, slice]:
    """As `models.analysis.unclear_within`."""
    ends = np.empty(4, np.int64)
    unclear(screen.sure[0, 0].numpy(), hold_out[0, 0].numpy(), ends)
    first, last, left, right = (int(n) for n in ends)
    if last < first:
        return slice(0, 0), slice(0, 0)
    return (
        slice(first * factor, min((last + 1) * factor, size[0])),
        slice(left * factor, min((right + 1) * factor, size[1])),
    )
