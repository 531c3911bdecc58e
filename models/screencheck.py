"""What a frame or an empty plate tells of its screen's lighting, in numbers.

Sources: Immerkaer, "Fast Noise Variance Estimation", Computer Vision and Image Understanding 64,
1996 (noise from the difference of two Laplacians; from memory). See `models.evenness` and
`models.spillage` for the rest.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import torch
from torch import Tensor
from torch.nn import functional

from models import evenness, screen
from models.errors import ShapeError
from models.evenness import CELL, Place, Shadow
from models.field import fit
from models.plate import MISFIT_STOPS, PURE, plate_misfit, require_same_size
from models.pyramid import enlarge, grow, pool, shrink, soften, spread
from models.screen import Hue, Screen, saturation
from models.spillage import alike, spill
from models.surround import Reach, reach
from models.upright import Upright

SIDE = 640
"""chosen: longest side of the analysis in pixels; folds and rims are still seen."""

_LEAST = 2 * CELL
"""Shortest side of a picture in pixels: two cells of the map."""
_BORDER = 5
"""chosen: pixels of screen beside a subject that are not measured; dark hair keeps the screen's
saturation, and looks like a shadow."""
_HAIR = 3
"""Cells beside a subject that do not speak of the lamps; chosen: loose hair on rendered people."""
_FULL = 0.985
"""Linear light from which a channel counts as clipped: code 253 of 255 in sRGB."""
_SHADOW_STOPS = 0.2
"""Darkening from which a shadow is counted where a plate tells it from the lamps."""
_NAMED_STOPS = 0.15
"""Places that lie less far off the middle are not named."""


@dataclass(frozen=True)
class Report:
    """What was measured. Places and maps are of the upright picture.

    Attributes:
        hue: the screen's.
        color: linear Rec.709, the screen's middle colour.
        screen_share: of the picture, 0 to 1, where bare screen is seen.
        subject_share: of the picture, 0 to 1, that is neither screen nor beyond its border.
        plate_fits: whether the plate shows this screen; None without a plate.
        seen: (h', w') float, 1 where bare screen is seen, at analysis size.
        stops: (h, w) float, the screen's level from its middle value; NaN where none is seen.
        spread: stops from the darkest to the brightest place, the subject's shadow left out.
        darkest, brightest: where the screen is furthest below and above its middle, in stops.
        thirds: (3, 3) float, stops from the middle, rows from above.
        level: stops of the screen's channel below clipping, in the middle.
        clipped: share of the screen whose channel is clipped.
        clipped_at: where most is clipped.
        saturation: of the middle colour, 0 to 1: colour difference over the screen's channel.
        noise: standard deviation of the colour difference, as a share of the screen's own.
        folds: stops that the deepest wrinkles and seams differ from their surroundings.
        folds_at: where they are deepest.
        alike: share of the subject that has the screen's own hue.
        spill: the screen's share of the light on the subject's outline, in the mean.
        spill_at: where it is highest.
        shadow: the subject's shadow on the screen.
        beyond: where the screen does not fill the picture.
    """

    hue: Hue
    color: tuple[float, float, float]
    screen_share: float
    subject_share: float
    plate_fits: bool | None
    seen: Tensor
    stops: Tensor
    spread: float
    darkest: tuple[Place, ...]
    brightest: tuple[Place, ...]
    thirds: Tensor
    level: float
    clipped: float
    clipped_at: Place | None
    saturation: float
    noise: float
    folds: float
    folds_at: Place | None
    alike: float
    spill: float | None
    spill_at: Place | None
    shadow: Shadow
    beyond: Reach


def noise(single: Tensor, bare: Tensor, color: Tensor, hue: Hue) -> float:
    """The noise of the colour difference over the bare screen.

    Args:
        single: (1, 3, h, w) float, linear Rec.709, single pixels of the frame.
        bare: (1, 1, h, w) float, 1 where they are bare screen.
        color: (1, 3, 1, 1), the screen's middle colour.
        hue: the screen's channel.

    Returns:
        A standard deviation, as a share of the screen's own colour difference.
    """
    off = screen.normalised_difference(single, color.expand_as(single), hue)
    mask = torch.tensor([[1.0, -2.0, 1.0], [-2.0, 4.0, -2.0], [1.0, -2.0, 1.0]]).to(off)
    answer = functional.conv2d(off, mask[None, None]).abs()
    told = answer[shrink(bare, 1)[..., 1:-1, 1:-1] > 0].sort().values
    # The largest tenth is left out of the paper's mean: seams are not noise. Of normal noise the
    # rest has the mean .6574 (where all of it has sqrt(2 / pi)); 6 is the mask's own gain.
    told = told[: int(len(told) * 0.9)]
    return float(told.mean()) / (0.6574 * 6) if len(told) else 0.0


@dataclass(frozen=True)
class _Seen:
    """A picture at analysis size with its screen told from the rest."""

    rgb: Tensor
    fitted: Screen
    middle: Tensor
    bare: Tensor
    full: Tensor

    @property
    def level(self) -> Tensor:
        return self.rgb[:, self.fitted.hue.value : self.fitted.hue.value + 1]


def _look(frame: Upright, wanted: Hue | None) -> _Seen | None:
    factor = max(1, round(max(frame.size) / SIDE))
    rgb = frame.reduced(factor)
    found = screen.find(rgb, wanted)
    if found is None:
        return None
    hue, color = found
    fitted = fit(rgb, color, hue, from_plate=False)
    own = saturation(rgb, hue)
    # By saturation and not by level: folds, shadows and hot spots are screen.
    pure = soften(own) / saturation(fitted.color, hue).clamp_min(0.05)
    level = rgb[:, hue.value : hue.value + 1]
    # A clipped channel pales, since the others still rise.
    full = ((level > _FULL) & (own > 0.08)).to(rgb.dtype)
    bare = torch.maximum((pure > PURE).to(rgb.dtype), full)
    # Single specks of either kind are noise and hair.
    bare = (soften(soften(bare)) > 0.5).to(rgb.dtype)
    seen = bare > 0
    if not bool(seen.any()):
        return None
    middle = rgb[0][:, seen[0, 0]].median(1).values.view(1, 3, 1, 1)
    return _Seen(rgb, fitted, middle, bare, full * bare)


def _first(found: tuple[Place, ...]) -> Place | None:
    return found[0] if found else None


def _wide(part: Tensor, like: Tensor) -> Tensor:
    """Cells as pixels of the analysis, each with its neighbours: ones and zeros."""
    return enlarge(grow(part, 1), (like.shape[-2], like.shape[-1])).ceil()


def _shadow(light: Tensor, known: Tensor, subject: Tensor, empty: _Seen | None) -> Shadow:
    """The subject's shadow, by the plate where there is one; ``light`` in stops."""
    if empty is None:
        return evenness.cast(light, known, subject)
    bare, bare_known = evenness.cells(empty.level, shrink(empty.bare, _BORDER))
    both = known * bare_known
    missing = evenness.stops(bare, 1.0) - light
    # Most of the screen is lit alike in both, whatever the exposure was.
    usual = missing[both > 0]
    missing = missing - (torch.quantile(usual, 0.3) if len(usual) else 0.0)
    return evenness.shadow(soften(spread(missing * both, both)), both, subject, _SHADOW_STOPS)


@dataclass(frozen=True)
class _OnSubject:
    """The screen's light on a subject."""

    alike: float = 0.0
    spill: float | None = None
    at: Place | None = None


def _on_subject(seen: _Seen, beyond: Reach) -> _OnSubject:
    other = (1 - seen.bare) * (1 - _wide(beyond.where, seen.bare))
    green = alike(seen.rgb, seen.fitted, other)
    share, tells = spill(seen.rgb, seen.fitted, other)
    told = share[tells > 0]
    # chosen: fewer pixels of sharp outline than this are a finger's.
    if len(told) < 30:
        return _OnSubject(green)
    rim = pool(tells, CELL)
    high = pool(share * tells, CELL) / rim.clamp_min(1e-6)
    at = _first(evenness.places(soften(high * (rim > 0.1)), rim, 1, 0.0))
    return _OnSubject(green, float(told.mean()), at)


def _check_sizes(frame: Upright, plate: Upright | None) -> None:
    if min(frame.size) < _LEAST:
        raise ShapeError(
            f"the picture is {frame.size[1]}x{frame.size[0]} (width x height) and a check needs at "
            f"least {_LEAST} pixels each way; give the picture as the camera took it"
        )
    if plate is not None:
        require_same_size(plate.size, frame.size)


def measure(
    frame: Upright, wanted: Hue | None = None, plate: Upright | None = None
) -> Report | None:
    """Measure a screen.

    Args:
        frame: a frame with people, or of the empty screen.
        wanted: look for this hue alone.
        plate: the empty screen from the same camera; it tells shadows and the screen's border
            from the subject.

    Returns:
        The report; None where no screen is to be seen.

    Raises:
        ShapeError: the frame is smaller than 16 pixels a side, or the plate has another size.
    """
    _check_sizes(frame, plate)
    seen = _look(frame, wanted)
    if seen is None:
        return None
    hue = seen.fitted.hue
    empty = None if plate is None else _look(plate, hue)
    if empty is not None and plate_misfit(seen.rgb, empty.rgb, hue) >= MISFIT_STOPS:
        empty = None
    inner = shrink(seen.bare, _BORDER)
    level, known = evenness.cells(seen.level, inner)
    if not bool(known.any()):
        level, known = evenness.cells(seen.level, seen.bare)
    if not bool(known.any()):
        return None
    light = evenness.stops(level, 1.0)
    other = (pool(seen.bare, CELL) < 0.5).to(level.dtype)
    border = None if empty is None else (pool(empty.bare, CELL) < 0.5).to(level.dtype)
    beyond = reach(other, border)
    subject = other * (1 - beyond.where)
    shade = _shadow(light, known, subject, empty)

    # Dark loose hair keeps the screen's saturation and looks like dark screen.
    lit = known * (1 - grow(shade.where, 2)) * (1 - grow(subject, _HAIR))
    if float(lit.sum()) < 0.2 * float(known.sum()):
        lit = known
    middle = float(light[lit > 0].median())
    even = light - middle
    values = even[lit > 0]
    calm = (
        shrink(seen.bare, SIDE // 80) * (1 - grow(seen.full, 4)) * (1 - _wide(shade.where, inner))
    )
    depth, off = evenness.folds(seen.level, calm)
    off = pool(off, 4)
    single = frame.sampled(2)
    flat = (enlarge(inner, (single.shape[-2], single.shape[-1])) > 0.9).to(single.dtype)
    on = _on_subject(seen, beyond) if float(subject.mean()) > 0.005 else _OnSubject()
    r, g, b = seen.middle.flatten().tolist()
    return Report(
        hue=hue,
        color=(r, g, b),
        screen_share=float(seen.bare.mean()),
        subject_share=float(subject.mean()),
        plate_fits=None if plate is None else empty is not None,
        seen=seen.bare[0, 0],
        stops=torch.where(known > 0, even, torch.full_like(even, math.nan))[0, 0],
        spread=float(values.max() - values.min()),
        darkest=tuple(
            Place(p.x, p.y, -p.value) for p in evenness.places(-even, lit, 2, _NAMED_STOPS)
        ),
        brightest=evenness.places(even, lit, 2, _NAMED_STOPS),
        thirds=evenness.thirds(even, lit),
        level=-middle,
        clipped=float(seen.full.sum() / seen.bare.sum()),
        clipped_at=_first(evenness.places(pool(seen.full, CELL), known, 1, 0.01)),
        saturation=float(saturation(seen.middle, hue)),
        noise=noise(single, shrink(flat, 2), seen.middle, hue),
        folds=depth,
        folds_at=_first(evenness.places(off, torch.ones_like(off), 1, 0.0)),
        alike=on.alike,
        spill=on.spill,
        spill_at=on.at,
        shadow=shade,
        beyond=beyond,
    )
