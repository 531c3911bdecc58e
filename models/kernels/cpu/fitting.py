"""The screen's colour field fitted to a live frame, as `models.field.fit` does it."""

from __future__ import annotations

import numpy as np
import torch
from torch import Tensor

from models import field
from models.field import Fitted
from models.kernels.cpu.compiled import kernel
from models.kernels.cpu.neighbourhood import (
    Array,
    enlarge,
    grow,
    shrink,
    soften,
    soften_counts,
    spread,
    squares,
)
from models.kernels.cpu.ranking import median
from models.kernels.cpu.workspace import Workspace
from models.screen import Hue

_ZERO, _ONE, _HALF = np.float32(0), np.float32(1), np.float32(0.5)
_FLOOR, _LEAST, _PURE = np.float32(0.004), np.float32(1e-3), np.float32(0.05)
_TINY, _KNOWN = np.float32(1e-6), np.float32(0.05)
_DARK, _BRIGHT = np.array([0.4, 0.7], np.float32), np.array([2.2, 1.3], np.float32)
_LOW, _HIGH = np.float32(field._SHADES[0]), np.float32(field._SHADES[1])
_BOUNDS = np.float32(field._BOUNDS[0]), np.float32(field._BOUNDS[1])
_SIXTEENTH = np.float32(1 / 16)
_WELL = 249
"""Of 256: the least above .97."""


@kernel()
def looks_alike(
    seen: Array, color: Array, key: int, tolerance: np.float32, level: Array, alike: Array
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


@kernel()
def within(values: Array, low: np.float32, high: np.float32, mask: Array) -> None:
    """Keep of a mask what lies between two values."""
    for y in range(mask.shape[0]):
        row, to = values[y], mask[y]
        for x in range(mask.shape[1]):
            to[x] &= (row[x] > low) & (row[x] < high)


@kernel()
def well_inside(alike: Array, between: Array, counts: Array, out: Array) -> None:
    """Where whole neighbourhoods are alike, exactly as the reference has it."""
    h, w = alike.shape
    soften_counts(alike, between, counts)
    for y in range(h):
        row, to = counts[y], between[y]
        for x in range(1, w - 1):
            to[x] = row[x - 1] + row[x + 1] + row[x] + row[x]
        to[0] = 3 * row[0] + row[min(1, w - 1)]
        to[w - 1] = row[max(w - 2, 0)] + 3 * row[w - 1]
    for y in range(h):
        above, row, below = between[max(y - 1, 0)], between[y], between[min(y + 1, h - 1)]
        to = out[y]
        for x in range(w):
            to[x] = (np.int32(above[x]) + np.int32(below[x]) + 2 * np.int32(row[x])) >= _WELL
    shrink(out, 3, between, out)


@kernel()
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
            squares(total, last - first, 8, out[c, y])


@kernel()
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


@kernel()
def bound_of(off: Array, weight: Array, values: Array) -> np.float32:
    """How far bare screen may be off, from every second pixel each way."""
    n = 0
    for y in range(0, off.shape[0], 2):
        row, mask = off[y], weight[y]
        for x in range(0, off.shape[1], 2):
            values[n] = row[x]
            n += mask[x]
    if n == 0:
        return _BOUNDS[1]
    return min(max(np.float32(4) * median(values[:n]) / np.float32(1.18), _BOUNDS[0]), _BOUNDS[1])


@kernel()
def clear_of(
    off: Array, shade: Array, own: Array, bound: np.float32, between: Array, masks: Array,
    planes: Array, clear: Array,
) -> None:  # fmt: skip
    """Where shades of any depth are the screen's own; ``own`` is the softened shade."""
    h, w = off.shape
    soften(off, between, clear)
    for y in range(h):
        row, shown, to = clear[y], own[y], masks[0, y]
        for x in range(w):
            to[x] = (row[x] > np.float32(3) * bound) | (shown[x] < _LOW)
    rows, columns = (h + 3) // 4, (w + 3) // 4
    foreign = np.empty((rows, columns), np.float32)
    wide = np.empty((rows, columns), np.float32)
    for y in range(rows):
        for x in range(columns):
            count = 0
            last, right = min(4 * y + 4, h), min(4 * x + 4, w)
            for j in range(4 * y, last):
                for i in range(4 * x, right):
                    count += masks[0, j, i]
            foreign[y, x] = _ONE if 4 * count > (last - 4 * y) * (right - 4 * x) else _ZERO
    grow(foreign, max(1, max(h, w) // 8 // 4), wide, foreign)
    enlarge(foreign, between, planes)
    for y in range(h):
        row, shown, to = off[y], shade[y], masks[0, y]
        for x in range(w):
            to[x] = (row[x] < np.float32(1.5) * bound) & (shown[x] > _LOW) & (shown[x] < _HIGH)
    soften_counts(masks[0], masks[1], masks[2])
    for y in range(h):
        near, count, to = planes[y], masks[2, y], clear[y]
        for x in range(w):
            to[x] = np.float32(count[x]) * _SIXTEENTH * (_ONE - near[x])


@kernel(
    "void(f4[:,:,::1], f4[:,:,::1], i8, i8, f4[:,:,::1], f4[:,:,::1], u1[:,:,::1], f4[::1],"
    "f4[:,:,::1], f4[:,:,::1], f4[:,::1], f4[:,::1])"
)
def fit_screen(
    rgb: Array, guess: Array, key: int, from_plate: int, seen: Array, planes: Array, masks: Array,
    flat: Array, color: Array, folded: Array, weight: Array, clear: Array,
) -> None:  # fmt: skip
    """`models.field.fit` of one frame; ``color`` is the smooth one.

    Args:
        rgb: (3, h, w).
        guess: (3, h or 1, w or 1).
        key: the screen's channel.
        from_plate: 0 or 1.
        seen: (3, h, w), gets the frame softened twice.
        planes, masks, flat: memory to work in.
        color, folded, weight, clear: get what `Fitted` holds.
    """
    h, w = rgb.shape[1], rgb.shape[2]
    between, shade, off, wide = planes[0], planes[1], planes[2], planes[3]
    alike, sure = masks[0], masks[1]
    for c in range(3):
        soften(rgb[c], between, seen[c])
        soften(seen[c], between, seen[c])
        if guess.shape[1] == h and guess.shape[2] == w:
            color[c] = guess[c]
        else:
            color[c] = guess[c, 0, 0]
    low, high, tolerance = np.float32(0.15), np.float32(4), np.float32(0.11)
    if from_plate:
        low, high, tolerance = np.float32(0.25), np.float32(1.8), np.float32(0.12)
    looks_alike(seen, color, key, tolerance, shade, alike)
    if from_plate:
        n = 0
        for y in range(h):
            row, mask = shade[y], alike[y]
            for x in range(w):
                flat[n] = row[x]
                n += mask[x]
        if n:
            middle = max(median(flat[:n]), _LEAST)
            low *= middle
            high *= middle
    within(shade, low, high, alike)
    rows, columns = (h + 7) // 8, (w + 7) // 8
    known = np.empty((rows, columns), np.float32)
    scale, level = np.empty((3, rows, columns), np.float32), np.empty((3, rows, columns), np.float32)
    bound = _ZERO
    rounds = 0
    for turn in range(2):
        well_inside(alike, masks[2], masks[3], sure)
        total = 0
        for y in range(rows):
            for x in range(columns):
                last, right = min(8 * y + 8, h), min(8 * x + 8, w)
                count = 0
                for j in range(8 * y, last):
                    for i in range(8 * x, right):
                        count += sure[j, i]
                share = np.float32(count) / np.float32((last - 8 * y) * (right - 8 * x))
                known[y, x] = share if share > _KNOWN else _ZERO
                total += share > _KNOWN
        if total == 0:
            break
        sums(rgb, sure, level)
        sums(color, sure, scale)
        for c in range(3):
            for y in range(rows):
                for x in range(columns):
                    scale[c, y, x] = level[c, y, x] / max(scale[c, y, x], _TINY)
        filled = spread(scale, known, flat)
        for c in range(3):
            soften(filled[c], level[0], level[1])
            enlarge(level[1], between, wide)
            for y in range(h):
                row, to = wide[y], color[c, y]
                for x in range(w):
                    to[x] *= row[x]
        remains(seen, color, key, shade, off)
        bound = bound_of(off, sure, flat)
        for y in range(h):
            row, mask = off[y], alike[y]
            for x in range(w):
                mask[x] = row[x] < bound
        within(shade, _DARK[turn], _BRIGHT[turn], alike)
        rounds += 1
    for y in range(h):
        mask, to = sure[y], weight[y]
        for x in range(w):
            to[x] = np.float32(mask[x])
    if rounds == 0:
        clear[:, :] = _ZERO
        for c in range(3):
            folded[c] = color[c]
        return
    own = wide
    soften(shade, between, own)
    clear_of(off, shade, own, bound, between, masks[2:5], planes[4], clear)
    soften(own, between, own)
    soften_counts(sure, masks[2], masks[3])
    for y in range(h):
        count, here, shown, to = masks[3, y], clear[y], own[y], between[y]
        for x in range(w):
            near = np.float32(count[x]) * _SIXTEENTH
            near = near if near > here[x] else here[x]
            fold = shown[x] if shown[x] > _LOW else _LOW
            fold = fold if fold < _HIGH else _HIGH
            to[x] = _ONE + near * (fold - _ONE)
        for c in range(3):
            row, result = color[c, y], folded[c, y]
            for x in range(w):
                result[x] = row[x] * to[x]


def fit(rgb: Tensor, guess: Tensor, hue: Hue, from_plate: bool, work: Workspace) -> Fitted:
    """As `models.field.fit` of a live frame, at most 480 pixels long.

    Args:
        rgb, guess, hue, from_plate: as there.
        work: memory to work in.
    """
    size = rgb.shape[-2], rgb.shape[-1]
    if max(size) > field._FINE:
        return field.fit(rgb, guess, hue, from_plate)
    color, folded = torch.empty_like(rgb), torch.empty_like(rgb)
    weight, clear = rgb.new_empty(1, 1, *size), rgb.new_empty(1, 1, *size)
    room = work.of(size)
    fit_screen(
        rgb[0].numpy(), guess[0].contiguous().numpy(), hue.value, int(from_plate), room.seen,
        room.planes, room.masks, room.flat, color[0].numpy(), folded[0].numpy(),
        weight[0, 0].numpy(), clear[0, 0].numpy(),
    )  # fmt: skip
    return Fitted(hue, folded, weight, color, clear)
