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
from models.kernels.cpu.neighbourhood import Array, enlarge, grow, pool, shrink, soften, soften_counts
from models.kernels.cpu.ranking import median
from models.kernels.cpu.workspace import Workspace
from models.plate import Plate

_ZERO, _ONE, _HALF = np.float32(0), np.float32(1), np.float32(0.5)
_LEVEL, _PLAY = np.float32(1e-6), np.float32(0.01)
_LEAST, _CHANGED = np.float32(outside._LEAST), outside._CHANGED
_SIXTEENTH = np.float32(1 / 16)
_ANGLES = torch.arange(outside._DIRECTIONS) * (2 * math.pi / outside._DIRECTIONS)
_DOWN, _RIGHT = _ANGLES.sin().numpy(), _ANGLES.cos().numpy()


@kernel()
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
    out[:, :] = 0
    if n == 0:
        return
    near, far = np.full(h, -np.inf, np.float32), np.full(h, np.inf, np.float32)
    for d in range(down.shape[0]):
        vertical, across = down[d], right[d]
        limit = np.float32(-np.inf)
        for i in range(n):
            reach = vertical * heights[i] + across * ends[i]
            limit = reach if reach > limit else limit
        limit += _PLAY
        for y in range(h):
            reach = limit - vertical * np.float32(y)
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
            out[y, x] = np.float32(x) >= near[y] and np.float32(x) <= far[y]


@kernel()
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
    if median(first) < np.float32(2):
        return False
    half = long // 2
    slopes = np.empty(half, np.float32)
    for i in range(half):
        slopes[i] = (first[long - half + i] - first[i]) / np.float32(long - half)
    slope = median(slopes)
    rest = np.empty(long, np.float32)
    for y in range(long):
        rest[y] = first[y] - slope * np.float32(y)
    start = median(rest)
    if abs(slope) > 0.2:
        return False
    beside, bare = 0, 0
    for y in range(long):
        line = start + slope * np.float32(y)
        if line > 0.35 * width or line < 1 or abs(first[y] - line) > 1.25:
            return False
        for x in range(width):
            past = np.float32(x) - line
            if 1.5 <= past < 4:
                beside += 1
                bare += cells[y, x]
    if beside and np.float32(bare) / np.float32(beside) < 0.995:
        return False
    cut[:, :] = _ZERO
    for y in range(long):
        line = start + slope * np.float32(y)
        for x in range(width):
            cut[y, x] = min(max(line - np.float32(x), _ZERO), _ONE)
    return True


@kernel(
    "void(f4[:,::1], f4[:,::1], i8, f4[::1], f4[::1], f4[:,:,::1], f4[:,::1], f4[:,::1])"
)
def border(
    sure: Array, hold_out: Array, cell: int, down: Array, right: Array, planes: Array,
    proposed: Array, away: Array,
) -> None:  # fmt: skip
    """What is outside the screen's hull, and strips of it, without a plate.

    Args:
        sure, hold_out: (h, w), as fitted.
        cell: pixels of a cell of the outline, a side.
        down, right: sine and cosine of the hull's directions.
        planes: memory to work in.
        proposed, away: (h, w), get the garbage matte and the larger hold-out.
    """
    h, w = sure.shape
    rows, columns = (h + cell - 1) // cell, (w + cell - 1) // cell
    size = rows, columns
    small = np.empty(size, np.float32)
    whole, bare = np.empty(size, np.uint8), np.empty(size, np.uint8)
    between, wide = np.empty(size, np.uint8), np.empty(size, np.uint8)
    pool(sure, cell, small)
    for y in range(rows):
        for x in range(columns):
            whole[y, x] = small[y, x] > _HALF
    shrink(whole, 1, between, bare)
    grow(bare, 2, between, bare)
    opened, screen = 0, 0
    for y in range(rows):
        for x in range(columns):
            bare[y, x] &= whole[y, x]
            opened += bare[y, x]
            screen += whole[y, x]
    if opened == 0:
        bare[:, :] = whole
    away[:, :] = hold_out
    proposed[:, :] = _ZERO
    if screen == 0:
        return
    hull_of(bare, down, right, wide)
    grow(wide, 2, between, wide)
    for y in range(rows):
        for x in range(columns):
            small[y, x] = _ONE - np.float32(wide[y, x])
    enlarge(small, planes[0], proposed)
    grow(bare, 1, between, wide)
    for y in range(rows):
        for x in range(columns):
            small[y, x] = np.float32(wide[y, x])
    enlarge(small, planes[0], planes[1])
    for y in range(h):
        row, to = planes[1, y], proposed[y]
        for x in range(w):
            to[x] *= _ONE - row[x]
    for side in range(3):  # left, right, upper; the lower is the floor's
        high, long = (columns, rows) if side == 2 else (rows, columns)
        cells, cut = np.empty((high, long), np.uint8), np.empty((high, long), np.float32)
        for y in range(rows):
            for x in range(columns):
                if side == 0:
                    cells[y, x] = bare[y, x]
                elif side == 1:
                    cells[y, columns - 1 - x] = bare[y, x]
                else:
                    cells[x, y] = bare[y, x]
        if not strip_of(cells, cut):
            continue
        for y in range(rows):
            for x in range(columns):
                if side == 0:
                    small[y, x] = cut[y, x]
                elif side == 1:
                    small[y, x] = cut[y, columns - 1 - x]
                else:
                    small[y, x] = cut[x, y]
        enlarge(small, planes[0], planes[1])
        for y in range(h):
            row, to = planes[1, y], away[y]
            for x in range(w):
                to[x] = row[x] if row[x] > to[x] else to[x]


@kernel(
    "void(f4[:,:,::1], f4[:,::1], f4[:,::1], f4[:,:,::1], f4[:,:,::1], f4[:,:,::1],"
    "f4[:,:,::1], u1[:,:,::1], f4[:,::1])"
)
def against_plate(
    rgb: Array, sure: Array, hold_out: Array, logs: Array, reach: Array, kinds: Array,
    planes: Array, masks: Array, away: Array,
) -> None:  # fmt: skip
    """Cut what a plate proposes, where the frame shows what the plate shows.

    Args:
        rgb: (3, h, w), the frame.
        sure, hold_out: (h, w), as fitted; ``sure`` is 0 or 1.
        logs: (3, h, w), stops of the plate.
        reach: (6, h, w), light of the plate: the most around each pixel, then the least.
        kinds: (3, h, w), what is proposed, which of it is below, and marks.
        planes, masks: memory to work in.
        away: gets the larger hold-out.
    """
    h, w = sure.shape
    changed, between, counts = masks[0], masks[1], masks[2]
    known = 0.0
    for y in range(h):
        row = sure[y]
        total = _ZERO
        for x in range(w):
            total += row[x]
        known += total
    changed[:, :] = 0
    product = np.empty(w, np.float64)
    seen, wide = planes[0], planes[1]
    for c in range(3):
        soften(rgb[c], wide, seen)
        soften(seen, wide, seen)
        stops = 0.0
        if known > 0:
            # The exposure's change: the sum of logarithms is that of a product.
            for first in range(0, h, 64):
                product[:] = 1.0
                for y in range(first, min(first + 64, h)):
                    row, here, then = seen[y], sure[y], logs[c, y]
                    past = _ZERO
                    for x in range(w):
                        product[x] *= row[x] + _LEAST if here[x] > _ZERO else _ONE
                    for x in range(w):
                        past += then[x] * here[x]
                    stops -= past
                for x in range(w):
                    stops += math.log2(product[x])
            stops /= known
        over, under = np.float32(2.0 ** (stops + _CHANGED)), np.float32(2.0 ** (stops - _CHANGED))
        for y in range(h):
            row, most, least, to = seen[y], reach[c, y], reach[3 + c, y], changed[y]
            for x in range(w):
                light = row[x] + _LEAST
                to[x] |= (light > over * most[x]) | (light < under * least[x])
    for y in range(h):
        row, to = sure[y], between[y]
        for x in range(w):
            to[x] = row[x] > _ZERO
    soften_counts(between, masks[3], counts)
    for y in range(h):
        row, to = counts[y], changed[y]
        for x in range(w):
            to[x] = 16 - row[x] if to[x] else 0
    size = max(h, w)
    fine, gap, margin = max(1, size // 400), max(2, size // 60), max(1, size // 120)
    shrink(changed, fine, between, changed)
    grow(changed, fine + margin + gap, between, changed)
    shrink(changed, gap, between, changed)
    floor = 1
    for y in range(h):
        here, low, moved = kinds[0, y], kinds[1, y], changed[y]
        for x in range(w):
            if here[x] * low[x] > _ZERO and moved[x]:
                floor = 0
    for y in range(h):
        here, low, mark = kinds[0, y], kinds[1, y], kinds[2, y]
        moved, held, to = changed[y], hold_out[y], away[y]
        for x in range(w):
            still = _ONE - np.float32(moved[x]) * _SIXTEENTH
            cut = here[x] * (_ONE - low[x]) * still
            if floor:
                cut = max(cut, low[x] * here[x])
            to[x] = max(held[x], max(cut, mark[x] * still))


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
        kinds = outside._of_plate(plate)
        light = plate.shown + outside._LEAST
        reach = torch.cat([pyramid.grow(light, 2), pyramid.shrink(light, 2)], 1)[0]
        return cls(
            plate,
            torch.maximum(kinds[0], kinds[2]),
            float(kinds[0].sum() + kinds[2].sum()) > 0,
            torch.log2(light)[0].contiguous(),
            reach.contiguous(),
            torch.cat(kinds, 1)[0].contiguous(),
        )


def with_outside(rgb: Tensor, screen: Fitted, shown: Shown | None, work: Workspace) -> Fitted:
    """As `models.outside.with_outside`.

    Args:
        rgb: (1, 3, h, w) float, linear Rec.709, the frame.
        screen: as fitted to it; ``sure`` is 0 or 1.
        shown: what the plate tells, where there is one that fits.
        work: memory to work in.
    """
    sure, held = screen.sure[0, 0].numpy(), screen.hold_out[0, 0].numpy()
    room = work.of((sure.shape[0], sure.shape[1]))
    away = torch.empty_like(screen.hold_out)
    if shown is None:
        proposed = torch.empty_like(screen.hold_out)
        border(
            sure, held, outside._cell(screen.sure), _DOWN, _RIGHT, room.planes,
            proposed[0, 0].numpy(), away[0, 0].numpy(),
        )  # fmt: skip
        return replace(screen, outside=proposed, hold_out=away)
    if not shown.anything:
        return replace(screen, outside=shown.outside)
    against_plate(
        rgb[0].numpy(), sure, held, shown.logs.numpy(), shown.reach.numpy(),
        shown.kinds.numpy(), room.planes, room.masks, away[0, 0].numpy(),
    )  # fmt: skip
    return replace(screen, outside=shown.outside, hold_out=away)
