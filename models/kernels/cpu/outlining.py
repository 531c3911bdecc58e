"""What lies outside the screen, found in a live frame as `models.outside` finds it."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import torch
from torch import Tensor

from models import outside, pyramid
from models.field import Fitted
from models.kernels.cpu.compiled import kernel
from models.kernels.cpu.neighbourhood import (
    Array,
    enlarge,
    grow,
    pool,
    shrink,
    soften,
    soften_counts,
)
from models.kernels.cpu.ranking import f4, median
from models.kernels.cpu.workspace import Room, Workspace
from models.plate import Plate

_ZERO, _ONE = f4(0), f4(1)
_LEVEL, _PLAY = f4(1e-6), f4(0.01)
_LEAST = f4(outside.LEAST)
_SIXTEENTH = f4(1 / 16)
_ANGLES = torch.arange(outside.DIRECTIONS) * (2 * math.pi / outside.DIRECTIONS)
_DOWN, _RIGHT = _ANGLES.sin().numpy(), _ANGLES.cos().numpy()


@kernel("void(u1[:,::1], f4[::1], f4[::1], u1[:,::1])")
def hull_of(cells: Array, down: Array, right: Array, out: Array) -> None:
    """The convex hull of a mask by its support function; ``out`` is 0 or 1."""
    h, w = cells.shape
    heights, ends = np.empty(2 * h, np.float32), np.empty(2 * h, np.float32)
    n = 0
    for y in range(h):
        first, last = w, -1
        for x in range(w):
            if cells[y, x]:
                first, last = min(first, x), x
        if last >= 0:
            heights[n], heights[n + 1] = y, y
            ends[n], ends[n + 1] = first, last
            n += 2
    near, far = np.empty(h, np.float32), np.empty(h, np.float32)
    for y in range(h):
        near[y], far[y] = -np.inf, (np.inf if n else -np.inf)
    for d in range(down.shape[0]):
        vertical, across = down[d], right[d]
        limit = f4(-np.inf)
        for i in range(n):
            reach = vertical * heights[i] + across * ends[i]
            limit = reach if reach > limit else limit
        limit += _PLAY
        for y in range(h):
            reach = limit - vertical * f4(y)
            if abs(across) < _LEVEL:
                # Straight up and down there is no end of a row, but rows without any.
                if reach < _ZERO:
                    far[y] = -np.inf
            elif across > _ZERO:
                far[y] = min(far[y], reach / across)
            else:
                near[y] = max(near[y], reach / across)
    for y in range(h):
        for x in range(w):
            out[y, x] = f4(x) >= near[y] and f4(x) <= far[y]


@kernel("b1(u1[:,::1], f4[:,::1])")
def strip_of(cells: Array, cut: Array) -> bool:
    """`models.outside._strip`: the strip left of the screen; whether there plainly is one."""
    height, width = cells.shape
    first = np.empty(height, np.float32)
    long, seen = 0, 0
    for y in range(height):
        x = 0
        while x < width and not cells[y, x]:
            x += 1
        first[y] = x
        if x < width:
            seen += 1
            long += long == y
    if width < 12 or seen < max(12, 0.6 * height) or long < seen:
        return False
    first = first[:long]
    if median(first) < f4(2):
        return False
    half = long // 2
    slopes = np.empty(half, np.float32)
    for i in range(half):
        slopes[i] = (first[long - half + i] - first[i]) / f4(long - half)
    slope = median(slopes)
    rest = np.empty(long, np.float32)
    for y in range(long):
        rest[y] = first[y] - slope * f4(y)
    start = median(rest)
    if abs(slope) > 0.2:
        return False
    beside, bare = 0, 0
    for y in range(long):
        line = start + slope * f4(y)
        if line > 0.35 * width or line < 1 or abs(first[y] - line) > 1.25:
            return False
        for x in range(width):
            past = f4(x) - line
            if 1.5 <= past < 4:
                beside += 1
                bare += cells[y, x]
    if beside and f4(bare) / f4(beside) < 0.995:
        return False
    for y in range(height):
        line = start + slope * f4(y) if y < long else _ZERO
        for x in range(width):
            cut[y, x] = min(max(line - f4(x), _ZERO), _ONE)
    return True


@dataclass(frozen=True)
class Shown:
    """What a plate tells of the outside, made once a plate."""

    plate: Plate
    outside: Tensor
    anything: bool
    logs: Tensor
    reach: Tensor
    kinds: Tensor

    @classmethod
    def of(cls, plate: Plate) -> Shown:
        """Read a plate."""
        kinds = outside.outside_of_plate(plate)
        light = plate.shown + outside.LEAST
        reach = torch.cat([pyramid.grow(light, 2), pyramid.shrink(light, 2)], 1)[0]
        return cls(
            plate,
            torch.maximum(kinds[0], kinds[2]),
            float(kinds[0].sum() + kinds[2].sum()) > 0,
            torch.log2(light)[0].contiguous(),
            reach.contiguous(),
            torch.cat(kinds, 1)[0].contiguous(),
        )


@kernel("void(f4[:,::1], f4[:,::1])")
def keep_clear(near: Array, out: Array) -> None:
    """Take out of a field what is near something."""
    for y in range(out.shape[0]):
        row, to = near[y], out[y]
        for x in range(out.shape[1]):
            to[x] *= _ONE - row[x]


def _border(sure: Array, room: Room, proposed: Array, away: Array) -> None:
    """What is outside the screen's hull, and strips of it that may be cut, without a plate.

    Args:
        sure: (h, w), where the frame shows nothing but screen.
        room: memory to work in.
        proposed: (h, w), gets the garbage matte.
        away: (h, w), the hold-out; gets larger.
    """
    cell = max(1, round(max(sure.shape) / outside.CELLS))
    size = -(-sure.shape[0] // cell), -(-sure.shape[1] // cell)
    small, between = np.empty(size, np.float32), np.empty(size, np.uint8)
    bare, wide = np.empty((2, *size), np.uint8)
    pool(sure, cell, small)
    whole = (small > 0.5).view(np.uint8)
    shrink(whole, 1, between, bare)
    grow(bare, 2, between, bare)
    bare &= whole
    if not bare.any():
        bare = whole
    if not bare.any():
        proposed[:] = 0
        return
    hull_of(bare, _DOWN, _RIGHT, wide)
    grow(wide, 2, between, wide)
    across, other = room.planes[:2]
    enlarge(1 - wide.astype(np.float32), across, proposed)
    grow(bare, 1, between, wide)
    enlarge(wide.astype(np.float32), across, other)
    keep_clear(other, proposed)
    # The left, the right and the upper side; the lower is the floor's.
    for cells, turned, mirrored in ((bare, 0, 0), (bare[:, ::-1], 0, 1), (bare.T, 1, 0)):
        cut = np.empty(cells.shape, np.float32)
        if strip_of(np.ascontiguousarray(cells), cut):
            cut = cut[:, ::-1] if mirrored else cut
            enlarge(np.ascontiguousarray(cut.T if turned else cut), across, other)
            np.maximum(away, other, out=away)


@kernel("f8(f4[:,::1], f4[:,::1], f4[:,::1])")
def stops_past(seen: Array, then: Array, sure: Array) -> float:
    """The sum of the stops by which a frame is brighter than its plate, where it is screen.

    Args:
        seen: (h, w), one channel of the frame.
        then: (h, w), of the plate, in stops.
        sure: (h, w), 0 or 1.
    """
    h, w = sure.shape
    product = np.empty(w, np.float64)
    stops = 0.0
    # A sum of logarithms is that of a product; 64 of the least light are still a number.
    for first in range(0, h, 64):
        for x in range(w):
            product[x] = 1.0
        for y in range(first, min(first + 64, h)):
            row, here, plate = seen[y], sure[y], then[y]
            past = _ZERO
            for x in range(w):
                product[x] *= row[x] + _LEAST if here[x] > _ZERO else _ONE
            for x in range(w):
                past += plate[x] * here[x]
            stops -= past
        for x in range(w):
            stops += math.log2(product[x])
    return stops


@kernel("void(f4[:,::1], f4[:,::1], f4[:,::1], f4, f4, u1[:,::1])")
def differs(seen: Array, most: Array, least: Array, over: float, under: float, out: Array) -> None:
    """Mark where a channel is brighter or darker than the plate around it can be."""
    for y in range(out.shape[0]):
        row, high, low, to = seen[y], most[y], least[y], out[y]
        for x in range(out.shape[1]):
            light = row[x] + _LEAST
            to[x] |= (light > over * high[x]) | (light < under * low[x])


@kernel("void(u1[:,::1], u1[:,::1])")
def outside_of(counts: Array, out: Array) -> None:
    """A mask as sixteenths, less those of the screen."""
    for y in range(out.shape[0]):
        row, to = counts[y], out[y]
        for x in range(out.shape[1]):
            to[x] = (16 - row[x]) * to[x]


@kernel("i8(f4[:,:,::1], u1[:,::1])")
def moved_below(kinds: Array, changed: Array) -> int:
    """How many pixels below the screen are not as the plate shows them."""
    count = 0
    for y in range(changed.shape[0]):
        here, low, moved = kinds[0, y], kinds[1, y], changed[y]
        for x in range(changed.shape[1]):
            count += 1 if here[x] * low[x] > _ZERO and moved[x] > 0 else 0
    return count


@kernel("void(f4[:,:,::1], u1[:,::1], f4, f4[:,::1])")
def cut_away(kinds: Array, changed: Array, floor: float, out: Array) -> None:
    """Hold out what a plate proposes and the frame shows alike.

    Args:
        kinds: (3, h, w), what is proposed, which of it is below, and marks.
        changed: (h, w), sixteenths.
        floor: 1 where what is below goes whole, else 0.
        out: (h, w), the hold-out; gets larger.
    """
    for y in range(out.shape[0]):
        here, low, mark, moved, to = kinds[0, y], kinds[1, y], kinds[2, y], changed[y], out[y]
        for x in range(out.shape[1]):
            still = _ONE - f4(moved[x]) * _SIXTEENTH
            cut = here[x] * (_ONE - low[x]) * still
            under, marks = low[x] * here[x] * floor, mark[x] * still
            cut = cut if cut > under else under
            cut = cut if cut > marks else marks
            to[x] = cut if cut > to[x] else to[x]


def _against(rgb: Array, sure: Array, shown: Shown, room: Room, away: Array) -> None:
    """Cut what a plate proposes, where the frame shows what the plate shows.

    Args:
        rgb: (3, h, w), the frame.
        sure: (h, w), 0 or 1.
        shown: what the plate tells.
        room: memory to work in.
        away: (h, w), the hold-out; gets larger.
    """
    changed, between, counts = room.masks[:3]
    seen, wide = room.planes[:2]
    logs, reach, kinds = shown.logs.numpy(), shown.reach.numpy(), shown.kinds.numpy()
    known = float(sure.sum())
    changed[:] = 0
    for c in range(3):
        soften(rgb[c], wide, seen)
        soften(seen, wide, seen)
        stops = stops_past(seen, logs[c], sure) / known if known else 0.0
        over, under = 2.0 ** (stops + outside.CHANGED), 2.0 ** (stops - outside.CHANGED)
        differs(seen, reach[c], reach[3 + c], over, under, changed)
    soften_counts((sure > 0).view(np.uint8), between, counts)
    outside_of(counts, changed)
    size = max(sure.shape)
    fine, gap, margin = max(1, size // 400), max(2, size // 60), max(1, size // 120)
    shrink(changed, fine, between, changed)
    grow(changed, fine + margin + gap, between, changed)
    shrink(changed, gap, between, changed)
    cut_away(kinds, changed, 0.0 if moved_below(kinds, changed) else 1.0, away)


def with_outside(rgb: Tensor, screen: Fitted, shown: Shown | None, work: Workspace) -> Fitted:
    """As `models.outside.with_outside`.

    Args:
        rgb: (1, 3, h, w) float, linear Rec.709, the frame.
        screen: as fitted to it; ``sure`` is 0 or 1.
        shown: what the plate tells, where there is one that fits.
        work: memory to work in.
    """
    sure = screen.sure[0, 0].numpy()
    room, away = work.of(sure.shape), screen.hold_out.clone()
    if shown is None:
        proposed = torch.empty_like(away)
        _border(sure, room, proposed[0, 0].numpy(), away[0, 0].numpy())
        return replace(screen, outside=proposed, hold_out=away)
    if shown.anything:
        _against(rgb[0].numpy(), sure, shown, room, away[0, 0].numpy())
    return replace(screen, outside=shown.outside, hold_out=away)
