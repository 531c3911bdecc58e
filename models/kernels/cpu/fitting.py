"""The screen's colour field fitted to a live frame, as `models.field.fit` does it."""

from __future__ import annotations

from typing import Any

import numpy as np
import torch
from torch import Tensor

from models import field
from models.field import Fitted
from models.kernels.cpu.compiled import i8, kernel
from models.kernels.cpu.neighbourhood import (
    Array,
    count_across,
    enlarge,
    grow,
    shrink,
    soften,
    soften_counts,
    soften_twice,
    spread,
    squares,
)
from models.kernels.cpu.ranking import f4, middle_of
from models.kernels.cpu.workspace import Room, Workspace
from models.screen import Hue

_ZERO, _ONE, _HALF = f4(0), f4(1), f4(0.5)
_FLOOR, _LEAST, _PURE = f4(0.004), f4(1e-3), f4(0.05)
_TINY, _KNOWN = f4(1e-6), f4(0.05)
_LOW, _HIGH = f4(field.SHADES[0]), f4(field.SHADES[1])
_BOUNDS = f4(field.BOUNDS[0]), f4(field.BOUNDS[1])
_SIXTEENTH = f4(1 / 16)
_WELL = 249
"""Of 256: the least above .97."""


@kernel("void(f4[:,:,::1], f4[:,:,::1], i8, f4, f4[:,::1], u1[:,::1])")
def looks_alike(
    seen: Array, color: Array, key: int, tolerance: float, level: Array, alike: Array
) -> None:
    """Where the saturation is the guess's, and the level over the guess's."""
    for y in range(alike.shape[0]):
        own, first, second = seen[key, y], seen[0, y], seen[3 - key, y]
        back, one, two = color[key, y], color[0, y], color[3 - key, y]
        mask, to = alike[y], level[y]
        for x in range(alike.shape[1]):
            above = own[x] - (first[x] if first[x] > second[x] else second[x])
            bare = (back[x] - (one[x] if one[x] > two[x] else two[x])) / (back[x] + _FLOOR)
            bare = bare if bare > _PURE else _PURE
            mask[x] = abs(above / (own[x] + _FLOOR) / bare - _ONE) < tolerance
        for x in range(alike.shape[1]):
            to[x] = own[x] / (back[x] if back[x] > _LEAST else _LEAST)


@kernel("void(f4[:,::1], f4, f4, u1[:,::1])")
def within(values: Array, low: float, high: float, mask: Array) -> None:
    """Keep of a mask what lies between two values."""
    for y in range(mask.shape[0]):
        row, to = values[y], mask[y]
        for x in range(mask.shape[1]):
            to[x] &= (row[x] > low) & (row[x] < high)


@kernel("void(u1[:,::1], u1[:,::1], u1[:,::1])")
def well_inside(counts: Array, between: Array, out: Array) -> None:
    """Where a mask that was softened once is above .97 when it is softened again.

    Args:
        counts: (h, w), sixteenths, from `soften_counts`.
        between: memory.
        out: (h, w), 0 or 1.
    """
    h, w = counts.shape
    for y in range(h):
        count_across(counts[y], between[y])
    for y in range(h):
        above, row, below = between[max(y - 1, 0)], between[y], between[min(y + 1, h - 1)]
        to = out[y]
        for x in range(w):
            to[x] = (np.int32(above[x]) + np.int32(below[x]) + 2 * np.int32(row[x])) >= _WELL


@kernel("void(f4[:,:,::1], u1[:,::1], f4[:,:,::1])")
def sums(fields: Array, weight: Array, out: Array) -> None:
    """Means over squares of 8 pixels of three fields where a mask is set, zero elsewhere."""
    w = weight.shape[1]
    total = np.empty(w, np.float32)
    for c in range(3):
        for y in range(out.shape[1]):
            first, last = 8 * y, min(8 * y + 8, weight.shape[0])
            total[:] = _ZERO
            for j in range(first, last):
                row, mask = fields[c, j], weight[j]
                for x in range(w):
                    total[x] += row[x] if mask[x] else _ZERO
            squares(total, last - first, i8(8), out[c, y])


@kernel("void(f4[:,:,::1], f4[:,:,::1], i8, f4[:,::1], f4[:,::1])")
def remains(seen: Array, color: Array, key: int, shade: Array, off: Array) -> None:
    """The shade of the screen in each pixel, and the length of what is left over."""
    for y in range(off.shape[0]):
        own, first, second = seen[key, y], seen[0, y], seen[3 - key, y]
        back, one, two = color[key, y], color[0, y], color[3 - key, y]
        part, to = shade[y], off[y]
        for x in range(off.shape[1]):
            part[x] = own[x] / (back[x] if back[x] > _LEAST else _LEAST)
        for x in range(off.shape[1]):
            bare = back[x] - (one[x] if one[x] > two[x] else two[x])
            bare = bare if bare > _LEAST else _LEAST
            a, b = first[x] - part[x] * one[x], second[x] - part[x] * two[x]
            to[x] = np.sqrt(a * a + b * b) / bare


@kernel("f4(f4[:,::1], u1[:,::1], f4[::1])")
def bound_of(off: Array, weight: Array, values: Array) -> Any:
    """How far bare screen may be off, from every second pixel each way."""
    n = 0
    for y in range(0, off.shape[0], 2):
        row, mask = off[y], weight[y]
        for x in range(0, off.shape[1], 2):
            values[n] = row[x]
            n += mask[x]
    if n == 0:
        return _BOUNDS[1]
    return min(max(f4(4) * middle_of(values[:n]) / f4(1.18), _BOUNDS[0]), _BOUNDS[1])


@kernel("i8(f4[:,::1], u1[:,::1], f4[::1])")
def taken(values: Array, mask: Array, out: Array) -> int:
    """Gather what a mask marks; how many those are."""
    n = 0
    for y in range(mask.shape[0]):
        row, here = values[y], mask[y]
        for x in range(mask.shape[1]):
            out[n] = row[x]
            n += here[x]
    return n


@kernel()
def marked_in(mask: Array, side: int, y: int, total: Array, counts: Array) -> Any:
    """How much is marked of each square of a row of squares.

    Args:
        mask: (h, w), 0 or 1.
        side: of a square, 15 at most; the last may be smaller.
        y: which row of squares.
        total: (w,) uint8, memory.
        counts: (ceil(w / side),), gets how many of each are marked.

    Returns:
        Rows of these squares.
    """
    h, w = mask.shape
    last = min(side * y + side, h)
    total[:] = 0
    for j in range(side * y, last):
        row = mask[j]
        for x in range(w):
            total[x] += row[x]
    for x in range(counts.size):
        count = 0
        for i in range(side * x, min(side * x + side, w)):
            count += total[i]
        counts[x] = count
    return last - side * y


@kernel("i8(u1[:,::1], f4[:,::1])")
def shares(mask: Array, out: Array) -> int:
    """The share of each square of 8 pixels that is marked, a twentieth at the least, else 0.

    Returns:
        How many squares have a share.
    """
    w, side = mask.shape[1], i8(8)
    total, counts = np.empty(w, np.uint8), np.empty(out.shape[1], np.int32)
    some = 0
    for y in range(out.shape[0]):
        high = marked_in(mask, side, y, total, counts)
        for x in range(out.shape[1]):
            share = f4(counts[x]) / f4(high * min(side, w - side * x))
            out[y, x] = share if share > _KNOWN else _ZERO
            some += share > _KNOWN
    return some


@kernel("void(f4[:,:,::1], f4[:,:,::1])")
def divide(level: Array, by: Array) -> None:
    """The scale of small fields: ``by`` becomes ``level / by``."""
    for c in range(3):
        for y in range(by.shape[1]):
            for x in range(by.shape[2]):
                by[c, y, x] = level[c, y, x] / max(by[c, y, x], _TINY)


@kernel("void(f4[:,::1], f4[:,::1])")
def multiply(by: Array, out: Array) -> None:
    """Scale a field by another."""
    for y in range(out.shape[0]):
        row, to = by[y], out[y]
        for x in range(out.shape[1]):
            to[x] *= row[x]


@kernel("void(f4[:,::1], f4, f4[:,::1], f4, u1[:,::1], f4[:,::1])")
def foreign(off: Array, bound: float, shade: Array, least: float, mask: Array, out: Array) -> None:
    """Squares of 4 pixels of which more than a quarter is off by more than a bound, or dark.

    Args:
        off, shade: (h, w), softened.
        bound, least: what is foreign lies above the first or below the second.
        mask: (h, w), memory.
        out: (ceil(h / 4), ceil(w / 4)), 0 or 1.
    """
    w, side = off.shape[1], i8(4)
    total, counts = np.empty(w, np.uint8), np.empty(out.shape[1], np.int32)
    for y in range(off.shape[0]):
        row, shown, to = off[y], shade[y], mask[y]
        for x in range(w):
            to[x] = (row[x] > bound) | (shown[x] < least)
    for y in range(out.shape[0]):
        high = marked_in(mask, side, y, total, counts)
        for x in range(out.shape[1]):
            out[y, x] = _ONE if 4 * counts[x] > high * min(side, w - side * x) else _ZERO


@kernel("void(f4[:,::1], f4, u1[:,::1])")
def below(values: Array, bound: float, mask: Array) -> None:
    """Mark what lies below a bound."""
    for y in range(mask.shape[0]):
        row, to = values[y], mask[y]
        for x in range(mask.shape[1]):
            to[x] = row[x] < bound


@kernel("void(u1[:,::1], f4[:,::1], f4[:,::1])")
def far_from(counts: Array, near: Array, out: Array) -> None:
    """Sixteenths as a field, less what is near."""
    for y in range(out.shape[0]):
        count, other, to = counts[y], near[y], out[y]
        for x in range(out.shape[1]):
            to[x] = f4(count[x]) * _SIXTEENTH * (_ONE - other[x])


@kernel("void(u1[:,::1], f4[:,::1])")
def as_field(mask: Array, out: Array) -> None:
    """A mask as a field."""
    for y in range(out.shape[0]):
        row, to = mask[y], out[y]
        for x in range(out.shape[1]):
            to[x] = f4(row[x])


@kernel("void(f4[:,:,::1], f4[:,::1], u1[:,::1], f4[:,::1], f4[:,:,::1])")
def fold(color: Array, own: Array, counts: Array, clear: Array, out: Array) -> None:
    """Give the smooth screen its folds, where nothing else than screen is near.

    Args:
        color: (3, h, w).
        own: (h, w), the softened shade.
        counts: (h, w), sixteenths of sure screen.
        clear: (h, w), where shades of any depth are folds.
        out: (3, h, w).
    """
    w = own.shape[1]
    by = np.empty(w, np.float32)
    for y in range(own.shape[0]):
        count, here, shown = counts[y], clear[y], own[y]
        for x in range(w):
            near = f4(count[x]) * _SIXTEENTH
            near = near if near > here[x] else here[x]
            shade = shown[x] if shown[x] > _LOW else _LOW
            shade = shade if shade < _HIGH else _HIGH
            by[x] = _ONE + near * (shade - _ONE)
        for c in range(3):
            row, to = color[c, y], out[c, y]
            for x in range(w):
                to[x] = row[x] * by[x]


def fit(rgb: Tensor, guess: Tensor, hue: Hue, from_plate: bool, work: Workspace) -> Fitted:
    """As `models.field.fit` of a live frame, at most 480 pixels long.

    Args:
        rgb, guess, hue, from_plate: as there.
        work: memory to work in.
    """
    size = rgb.shape[-2], rgb.shape[-1]
    if max(size) > field.FINE:
        return field.fit(rgb, guess, hue, from_plate)
    room, key, frame = work.of(size), hue.value, rgb[0].numpy()
    smooth, folded = guess.expand_as(rgb).clone(), torch.empty_like(rgb)
    weight, clear = rgb.new_empty(1, 1, *size), rgb.new_zeros(1, 1, *size)
    color, seen = smooth[0].numpy(), room.seen
    between, shade, off, wide = room.planes[:4]
    alike, sure, counts, marked = room.masks[:4]
    for c in range(3):
        soften_twice(frame[c], between, seen[c])
    low, high, tolerance = (0.25, 1.8, 0.12) if from_plate else (0.15, 4.0, 0.11)
    looks_alike(seen, color, key, tolerance, shade, alike)
    if from_plate and (n := taken(shade, alike, room.flat)):
        middle = max(middle_of(room.flat[:n]), 1e-3)
        low, high = low * middle, high * middle
    within(shade, low, high, alike)
    small = -(-size[0] // 8), -(-size[1] // 8)
    known, scale, level = np.empty(small, np.float32), *np.empty((2, 3, *small), np.float32)
    bound: float | None = None
    for dark, bright in field.SPANS[:2]:
        soften_counts(alike, marked, counts)
        well_inside(counts, marked, sure)
        shrink(sure, 3, marked, sure)
        if not shares(sure, known):
            break
        sums(frame, sure, level)
        sums(color, sure, scale)
        divide(level, scale)
        filled = spread(scale, known, room.flat)
        for c in range(3):
            soften(filled[c], level[0], level[1])
            enlarge(level[1], between, wide)
            multiply(wide, color[c])
        remains(seen, color, key, shade, off)
        bound = bound_of(off, sure, room.flat)
        below(off, bound, alike)
        within(shade, dark, bright, alike)
    as_field(sure, weight[0, 0].numpy())
    if bound is None:
        return Fitted(hue, smooth, weight, smooth, clear)
    held, own = clear[0, 0].numpy(), wide
    _clear(off, shade, own, bound, room, held)
    soften(own, between, own)
    soften_counts(sure, marked, counts)
    fold(color, own, counts, held, folded[0].numpy())
    return Fitted(hue, folded, weight, smooth, clear)


def _clear(off: Array, shade: Array, own: Array, bound: float, room: Room, out: Array) -> None:
    """Where shades of any depth are the screen's; ``own`` gets the softened shade."""
    between, near = room.planes[0], room.planes[4]
    counts, marked, alike = room.masks[2:5]
    soften(shade, between, own)
    soften(off, between, out)
    size = off.shape
    cells, other = np.empty((2, -(-size[0] // 4), -(-size[1] // 4)), np.float32)
    foreign(out, 3 * bound, own, field.SHADES[0], alike, cells)
    grow(cells, max(1, max(size) // field.REACH // 4), other, cells)
    enlarge(cells, between, near)
    below(off, 1.5 * bound, alike)
    within(shade, *field.SHADES, alike)
    soften_counts(alike, marked, counts)
    far_from(counts, near, out)
