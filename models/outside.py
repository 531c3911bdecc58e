"""What is outside the screen: walls, stands and lamps beside it, marks on it. A garbage matte.

All that lies outside the screen's outline is proposed. It is cut by itself only where nothing of a
subject can be in it:

- With a clean plate, where the frame still shows what the plate shows there: an arm before the
  wall differs from it and stays. Not below the screen once anything moved there, since dark shoes
  may look like a dark floor; and not at all where somebody seems to stand in the plate.
- Without one, a strip along one side whose border with the screen is one straight line from end
  to end, with nothing but screen along it: nobody reaches over it, so nobody before the screen is
  cut. The side of the floor is never cut so.

The outline is the convex hull of the screen, by its support function (a screen on a frame or a
roll has straight edges; what hangs before them does not dent a hull).
"""

from __future__ import annotations

import math
from dataclasses import replace

import torch
from torch import Tensor

from models.field import Fitted
from models.plate import Plate
from models.pyramid import enlarge, grow, pool, shrink, soften

DIRECTIONS = 256
"""Directions of the hull, the axes among them: between two a straight edge bulges by at most
a three-hundredth of its length."""
CELLS = 160
"""Cells along the longest side, in which outlines are looked for."""
CHANGED = 0.35
"""Difference, in stops, from which a place is not as the plate shows it; lamps differ by less."""
LEAST = 0.01
"""Linear light added before the difference in stops: in black a code is half a stop."""
_STANDING = 0.02
"""Share of the outline that may be other than screen in a clean plate, marks left out."""


def with_outside(rgb: Tensor, screen: Fitted, plate: Plate | None) -> Fitted:
    """Find what is outside the screen and add it to the screen's hold-out where that is safe.

    Args:
        rgb: (1, 3, h, w) float, linear Rec.709, the frame at analysis size.
        screen: as fitted to it.
        plate: the clean plate, where it fits, laid on the frame.

    Returns:
        The screen with ``outside`` and the larger ``hold_out``.
    """
    if plate is None:
        bare, proposed = _border(screen.sure)
        proposed = proposed * (1 - _enlarged(grow(bare, 1), rgb))
        away = torch.maximum(screen.hold_out, _strips(bare, rgb))
        return replace(screen, outside=proposed, hold_out=away)
    proposed, below, marks = outside_of_plate(plate)
    if float(proposed.sum() + marks.sum()) == 0:
        return replace(screen, outside=proposed)
    changed = _changed(rgb, screen, plate)
    away = proposed * (1 - below) * (1 - changed)
    if float((below * proposed * changed).sum()) == 0:
        away = torch.maximum(away, below * proposed)
    away = torch.maximum(away, marks * (1 - changed))
    return replace(
        screen,
        outside=torch.maximum(proposed, marks),
        hold_out=torch.maximum(screen.hold_out, away),
    )


def cell_side(like: Tensor) -> int:
    return max(1, round(max(like.shape[-2:]) / CELLS))


def _enlarged(cells: Tensor, like: Tensor) -> Tensor:
    return enlarge(cells, (like.shape[-2], like.shape[-1]))


def convex_hull(cells: Tensor) -> Tensor:
    """The convex hull of a mask.

    Args:
        cells: (1, 1, h, w) float, above .5 where set.

    Returns:
        Same shape, 0 or 1; all 0 where nothing is set.
    """
    height, width = cells.shape[-2:]
    seen = cells[0, 0] > 0.5
    rows = seen.any(1)
    if not bool(rows.any()):
        return torch.zeros_like(cells)
    y = torch.arange(height, dtype=cells.dtype, device=cells.device)
    x = torch.arange(width, dtype=cells.dtype, device=cells.device)
    # The ends of each row are enough, for the reach as for the hull.
    first, last = seen.to(torch.uint8).argmax(1), width - 1 - seen.flip(1).to(torch.uint8).argmax(1)
    ends = torch.cat([first[rows], last[rows]]).to(cells.dtype)
    heights = y[rows].repeat(2)
    angles = torch.arange(DIRECTIONS, device=cells.device) * (2 * math.pi / DIRECTIONS)
    down, right = angles.sin().view(-1, 1), angles.cos().view(-1, 1)
    limit = (down * heights + right * ends).amax(1, keepdim=True) + 0.01
    reach = limit - down * y
    # Straight up and down there is no end of a row, but rows without any.
    level = right.abs() < 1e-6
    open_rows = (~level | (reach >= 0)).all(0).view(-1, 1)
    reach = reach / torch.where(level, torch.ones_like(right), right)
    far = torch.where(~level & (right > 0), reach, torch.inf).amin(0).view(-1, 1)
    near = torch.where(~level & (right < 0), reach, -torch.inf).amax(0).view(-1, 1)
    inside = (x >= near) & (x <= far) & open_rows
    return inside.view(1, 1, height, width).to(cells.dtype)


def _largest_part(cells: Tensor) -> Tensor:
    """Leave out scattered cells: what remains after opening by one cell, grown back."""
    whole = (cells > 0.5).to(cells.dtype)
    opened = grow(shrink(whole, 1), 2) * whole
    return opened if float(opened.sum()) else whole


def _border(sure: Tensor) -> tuple[Tensor, Tensor]:
    """Cells of screen, and everything outside their hull at the size of ``sure``."""
    bare = _largest_part(pool(sure, cell_side(sure)))
    if float(bare.sum()) == 0:
        return bare, torch.zeros_like(sure)
    # The sure screen ends a few pixels before its edge: the edge's own cell is left to the key.
    return bare, _enlarged(1 - grow(convex_hull(bare), 2), sure)


def outside_of_plate(plate: Plate) -> tuple[Tensor, Tensor, Tensor]:
    """What is outside the screen in a plate, which of it is below, and marks on the screen."""
    nothing = torch.zeros_like(plate.other)
    bare = _largest_part(pool(1 - plate.other, cell_side(plate.other)))
    within = convex_hull(bare)
    if float(within.sum()) == 0:
        return nothing, nothing, nothing
    size = max(plate.other.shape[-2:])
    inside = _enlarged(within, plate.other)
    large = max(3, size // 48)
    standing = grow(shrink(plate.other, large), large + 1)
    marks = plate.other * (1 - standing) * inside
    # The hull's own border is as wide as a cell.
    core = _enlarged(shrink(within, 1), plate.other)
    if float((standing * core).sum()) > _STANDING * float(inside.sum()):
        return nothing, nothing, nothing
    outside = soften(grow(plate.other, 3)) * (1 - _enlarged(shrink(within, 2), plate.other))
    rows = (within[0, 0] > 0.5).any(1).nonzero().flatten()
    last = (int(rows[-1]) - 1) * cell_side(plate.other)
    below = nothing.clone()
    below[..., max(last, 0) :, :] = 1
    return outside, below, grow(marks, 2)


def _changed(rgb: Tensor, screen: Fitted, plate: Plate) -> Tensor:
    """Where the frame does not show what the plate shows, grown and closed, 0 or 1."""
    seen = soften(soften(rgb))
    now, then = torch.log2(seen + LEAST), torch.log2(plate.shown + LEAST)
    known = screen.sure.sum()
    if float(known) > 0:
        # The exposure's change, from what the screen tells.
        now = now - ((now - then) * screen.sure).sum((-2, -1), keepdim=True) / known
    # Two pixels of play: an edge that moved a little is no change.
    above, below = now - grow(then, 2), shrink(then, 2) - now
    off = (torch.maximum(above, below).amax(1, keepdim=True) > CHANGED).to(rgb.dtype)
    off = off * (1 - soften(screen.sure))
    size = max(rgb.shape[-2:])
    fine, gap, margin = max(1, size // 400), max(2, size // 60), max(1, size // 120)
    # Opened against noise and edges that moved by a pixel; closed since clothes may look in part
    # like the wall behind them; and grown, since hair is thin.
    solid = grow(shrink(off, fine), fine + margin)
    return shrink(grow(solid, gap), gap)


def _strips(bare: Tensor, rgb: Tensor) -> Tensor:
    """Strips along the left, right and upper side that end in one straight line of screen."""
    out = torch.zeros_like(rgb[:, 0:1])
    for turned in (False, True):
        cells = bare[0, 0].T if turned else bare[0, 0]
        for mirrored in (False, True):
            if turned and mirrored:
                continue  # the floor's side
            one = cells.flip(1) if mirrored else cells
            cut = _strip(one > 0.5)
            if cut is None:
                continue
            cut = cut.flip(1) if mirrored else cut
            cut = cut.T if turned else cut
            out = torch.maximum(out, _enlarged(cut[None, None].to(rgb.dtype), rgb))
    return out


def _strip(cells: Tensor) -> Tensor | None:
    """The strip left of the screen, (h, w) in [0, 1]; None where it is not plainly one."""
    height, width = cells.shape
    seen = cells.any(1)
    long = int(seen.sum())
    # From the upper end down without a gap, over most of the height: below may be a floor.
    if width < 12 or long < max(12, 0.6 * height) or not bool(seen[:long].all()):
        return None
    whole, cells, height = cells, cells[:long], long
    first = cells.to(torch.uint8).argmax(1).to(torch.float32)
    if float(first.median()) < 2:
        return None
    rows = torch.arange(height, dtype=torch.float32, device=cells.device)
    half = height // 2
    # Theil and Sen's line over pairs half the height apart.
    slope = ((first[height - half :] - first[:half]) / (height - half)).median()
    line = (first - slope * rows).median() + slope * rows
    if float(slope.abs()) > 0.2 or float(line.max()) > 0.35 * width or float(line.min()) < 1:
        return None
    if float(((first - line).abs() > 1.25).float().sum()) > 0:
        return None
    columns = torch.arange(width, dtype=torch.float32, device=cells.device)
    past = columns - line.view(-1, 1)
    beside = cells[(past >= 1.5) & (past < 4)]
    if float(beside.float().mean()) < 0.995:
        return None
    # Up to the sure screen, which begins a few pixels inside.
    cut = torch.zeros_like(whole, dtype=torch.float32)
    cut[:long] = (-past).clamp(0, 1)
    return cut
