"""How evenly a screen is lit: its level in stops, worst places, folds, the subject's shadow.

A stop is a factor of two of light, so a difference in stops is the base-2 logarithm of the ratio
of two linear levels (ISO 2720 and ISO 2721 use the same base for exposure values; from memory).
A shadow is known from a clean plate, which shows the lamps alone. Without one only its border
tells it from the lamps' fall-off: it is much steeper than the rest of the screen.
"""

from __future__ import annotations

from dataclasses import dataclass

import torch
from torch import Tensor

from models.pyramid import enlarge, grow, joined, pool, shrink, soften, spread

CELL = 8
"""Pixels of the analysis a side of one cell of the map; chosen: an 80th of the picture's side."""

_DARK = 1e-6
_SMALL = 0.005
"""Share of the screen; chosen: a smaller shadow is the contact of a foot and harms nothing."""
_DEEP = 0.4
"""Stops; chosen: what dark loose hair leaves beside a head stays below."""
_STEEP = 1.5
"""Stops over the length of the picture's longer side; chosen: lamps alone stay below."""
_STEEPER = 2.5
"""Times the picture's usual slope; chosen: lamps alone stay below 2 on rendered screens, a shadow
of three quarters of a stop lies at 4."""


@dataclass(frozen=True)
class Place:
    """A place in the upright picture.

    Attributes:
        x: from the left edge, 0 to 1.
        y: from the upper edge, 0 to 1.
        value: what was measured there.
    """

    x: float
    y: float
    value: float


def stops(level: Tensor, reference: float | Tensor) -> Tensor:
    """Linear light as stops above a reference; negative is darker."""
    return torch.log2(level.clamp_min(_DARK) / reference)


def cells(level: Tensor, seen: Tensor) -> tuple[Tensor, Tensor]:
    """The mean level of each cell over what is screen in it.

    Args:
        level: (1, 1, h, w) float, linear light.
        seen: (1, 1, h, w) float, 1 where it is screen.

    Returns:
        The levels, and 1 for cells that are at least half screen: (1, 1, h / CELL, w / CELL).
    """
    share = pool(seen, CELL)
    return pool(level * seen, CELL) / share.clamp_min(1e-6), (share > 0.5).to(level.dtype)


def places(value: Tensor, known: Tensor, most: int, least: float) -> tuple[Place, ...]:
    """The places where a map is highest, apart from each other by a quarter of the picture.

    Args:
        value: (1, 1, h, w) float.
        known: (1, 1, h, w) float, above 0 where the map holds.
        most: how many at most.
        least: lower values are not named.

    Returns:
        Highest first.
    """
    left = torch.where(known > 0, value, torch.full_like(value, float("-inf")))[0, 0].clone()
    height, width = left.shape
    y, x = torch.meshgrid(torch.arange(height), torch.arange(width), indexing="ij")
    found: list[Place] = []
    while len(found) < most:
        at = int(left.argmax())
        row, column = divmod(at, width)
        top = float(left[row, column])
        if not top >= least:
            break
        found.append(Place((column + 0.5) / width, (row + 0.5) / height, top))
        near = torch.hypot((y - row) / height, (x - column) / width) < 0.25
        left[near.to(left.device)] = float("-inf")
    return tuple(found)


def thirds(value: Tensor, known: Tensor) -> Tensor:
    """The map's mean in each of three by three parts, filled in where nothing is seen: (3, 3)."""
    whole = spread(value, known)
    return torch.nn.functional.adaptive_avg_pool2d(whole, 3)[0, 0]


def bands(value: Tensor, seen: Tensor, size: tuple[int, int], step: float, most: int) -> Tensor:
    """A map of stops as numbered bands, for drawing.

    Args:
        value: (h, w) float, stops; NaN where nothing is known.
        seen: (h', w') float, 1 where the map is to be drawn, at any size.
        size: (H, W) of the drawing.
        step: stops a band.
        most: bands on either side of the middle one; the last holds all beyond it.

    Returns:
        (H, W) uint8: 0 where nothing is drawn, else 1 to 2 ``most`` + 1, darkest first; the
        middle band holds what lies within half a step of 0.
    """
    known = (~value.isnan()).to(torch.float32)[None, None]
    whole = enlarge(spread(value.nan_to_num()[None, None], known), size)
    number = (whole / step).round().clamp(-most, most) + most + 1
    drawn = enlarge(seen[None, None].to(torch.float32), size) > 0.5
    return (number * drawn)[0, 0].to(torch.uint8)


@dataclass(frozen=True)
class Shadow:
    """What a subject takes away of the screen's light.

    Attributes:
        depth: in stops, in its darker half; 0 without a shadow.
        share: of the visible screen.
        at: its darkest place.
        where: (1, 1, h, w) float in cells, 1 inside it.
    """

    depth: float
    share: float
    at: Place | None
    where: Tensor


def shadow(missing: Tensor, known: Tensor, subject: Tensor, least: float) -> Shadow:
    """Find the darkening that begins at the subject, the lamps being known.

    Args:
        missing: (1, 1, h, w) float, in cells, stops that the screen lacks against its lamps.
        known: (1, 1, h, w) float, 1 where screen is seen.
        subject: (1, 1, h, w) float, 1 where the subject is.
        least: stops; lesser darkening is not counted.

    Returns:
        The shadow.
    """
    dark = ((missing > least) & (known > 0)).to(missing.dtype)
    # What is one cell wide is the soft edge of hair or a fold.
    dark = grow(shrink(dark, 1), 1) * dark
    near = max(2, max(missing.shape[-2:]) // 12)
    inside = joined(dark * grow(subject, near), dark)
    if (share := float(inside.sum() / known.sum().clamp_min(1))) < _SMALL:
        return Shadow(0.0, 0.0, None, torch.zeros_like(dark))
    depth = float(torch.quantile(missing[inside > 0], 0.75))
    return Shadow(depth, share, places(missing, inside, 1, 0.0)[0], inside)


def _slope(value: Tensor, step: int) -> Tensor:
    """How steep a map is, in its unit over its longer side; 0 within ``step`` of the border."""
    across, down = torch.zeros_like(value), torch.zeros_like(value)
    across[..., step:-step] = value[..., 2 * step :] - value[..., : -2 * step]
    down[..., step:-step, :] = value[..., 2 * step :, :] - value[..., : -2 * step, :]
    return torch.hypot(across, down) * (max(value.shape[-2:]) / (2 * step))


def cast(value: Tensor, known: Tensor, subject: Tensor) -> Shadow:
    """Find a shadow of the subject without a plate, by its steep border.

    A soft or shallow one is not told from the lamps' own fall-off.

    Args:
        value: (1, 1, h, w) float, in cells, the screen's level in stops.
        known: (1, 1, h, w) float, 1 where screen is seen.
        subject: (1, 1, h, w) float, 1 where the subject is.

    Returns:
        The shadow.
    """
    none = Shadow(0.0, 0.0, None, torch.zeros_like(value))
    side = max(value.shape[-2:])
    step = max(1, side // 20)
    if min(value.shape[-2:]) <= 2 * step:
        return none
    smooth = soften(spread(value, known))
    slope = _slope(smooth, step)
    told = shrink(known, step) * (slope > 0)
    if not bool(told.any()):
        return none
    usual = float(slope[told > 0].median())
    steep = told * (slope > max(_STEEP, _STEEPER * usual)) * grow(subject, side // 5)
    if float(steep.sum()) < _SMALL * float(known.sum()):
        return none
    about = value[(known * grow(steep, 2 * step)) > 0]
    half = float(torch.quantile(about, 0.9) + torch.quantile(about, 0.1)) / 2
    dark = known * (value < half)
    inside = joined(steep * dark, dark)
    if float((inside * grow(subject, 4)).sum()) == 0:
        return none
    share = float(inside.sum() / known.sum())
    # What is darker than half of the screen is not a shadow: the rest is a hot spot.
    if not _SMALL < share < 0.5:
        return none
    lit = known * (1 - dark) * grow(steep, 2 * step)
    shaded = inside * grow(steep, 4 * step)
    if not bool(lit.any()):
        return none
    # From side to side of the border, less what the lamps fall off by on such a way.
    depth = float(torch.quantile(value[lit > 0], 0.75) - torch.quantile(value[shaded > 0], 0.25))
    depth -= usual * 4 * step / side
    if depth < _DEEP:
        return none
    return Shadow(depth, share, places(-value, inside, 1, float("-inf"))[0], inside)


def folds(level: Tensor, seen: Tensor) -> tuple[float, Tensor]:
    """How deep the screen's small light and dark lines are: wrinkles, seams, marks.

    Args:
        level: (1, 1, h, w) float, linear light of the screen at analysis size.
        seen: (1, 1, h, w) float, 1 where it is bare, lit screen.

    Returns:
        The depth in stops that the deepest half per cent reaches, noise taken off; and
        (1, 1, h / 2, w / 2) float, stops above or below the surroundings, without a sign.
    """
    inner = pool(seen, 2)
    known = (inner > 0.99).to(level.dtype)
    fine = stops(pool(level * seen, 2) / inner.clamp_min(1e-6), 1.0)
    wide = pool(fine * known, 6) / pool(known, 6).clamp_min(1e-6)
    size = (fine.shape[-2], fine.shape[-1])
    around = enlarge(soften(soften(spread(wide, (pool(known, 6) > 0.3).to(level.dtype)))), size)
    off = (fine - around).abs() * known
    # Close to the border of what is seen the surroundings are one-sided.
    off = off * shrink(known, 3)
    told = off[shrink(known, 3) > 0]
    if told.numel() < 200:
        return 0.0, off
    # The middle of single steps is noise: folds are few and wide.
    step = (fine[..., 1:] - fine[..., :-1]).abs()[(known[..., 1:] * known[..., :-1]) > 0]
    sigma = float(step.median()) / (0.6745 * 2**0.5)
    deep = float(torch.quantile(told, 0.995))
    # The two hundredth part of normal noise lies beyond 2.81 deviations.
    return max(0.0, deep**2 - (2.81 * sigma) ** 2) ** 0.5, off
