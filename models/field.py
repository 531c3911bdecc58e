"""The screen's colour field: a first guess scaled to the frame, robustly, at any level of noise.

The guess (a clean plate, or one colour) is scaled channel by channel to the frame where the frame
is surely screen, lit or in shadow, and the scale is spread under the subject. A shade scales the
screen's colour and leaves its proportions; a subject mixed in adds what the screen has not: that
remainder, held against its own spread over the frame (so that noise widens the bounds and a good
picture narrows them), tells the two apart.

Sources: the remainder is that of the two-colour mix in Smith and Blinn, "Blue Screen Matting",
SIGGRAPH 1996; bounds from the median deviation are usual in robust regression (Huber, "Robust
Statistics", 1981; 1.4826 times it is the standard deviation of a normal distribution).
"""

from __future__ import annotations

from dataclasses import dataclass

import torch
from torch import Tensor

from models.pyramid import enlarge, grow, pool, shrink, soften, spread
from models.replay import replayed
from models.screen import Hue, Screen, color_difference, saturation

SPANS = (0.4, 2.2), (0.7, 1.3), (0.7, 1.3)
"""Shades of the field so far that count as screen in each round: the first field may lie a stop
off where it was spread far."""
SHADES = (0.35, 3.0)
"""Shades of the field that a fold, a seam or a hot spot may have."""
REACH = 8
"""Share of the frame's longest side, its inverse, within which loose hair surrounds a subject."""
FINE = 480
"""Longest side of an analysis above which eight pixels are finer than the screen's unevenness."""
BOUNDS = (0.02, 0.06)
"""Least and largest bound of the remainder: shadows on rendered screens leave .015 (the light in
them has another tint), a tenth of black hair .006, of white cloth .1."""

_TINT_BOUNDS = (0.005, 0.02)
"""The same for means over squares of eight pixels, against their wide surroundings."""


@dataclass(frozen=True)
class Fitted(Screen):
    """The screen of one frame, and what the fit knows besides.

    Attributes:
        smooth: (1, 3, h, w) linear Rec.709, as ``color``, without folds and seams narrower than
            about eight pixels.
        hold_out: (1, 1, h, w) in [0, 1], what is never subject: screen far from all else, with
            its folds and seams, and what is outside the screen where that is safe to say.
        outside: (1, 1, h, w) in [0, 1], a garbage matte proposed: all that seems to be outside
            the screen, also where somebody should look before it is cut; None: not looked for.
    """

    smooth: Tensor
    hold_out: Tensor
    outside: Tensor | None = None

    @property
    def unsettled(self) -> Tensor | None:
        """(1, 1, h, w) in [0, 1], what is proposed as garbage and was not cut by itself."""
        return None if self.outside is None else self.outside * (1 - self.hold_out)


def remainder(rgb: Tensor, color: Tensor, hue: Hue) -> tuple[Tensor, Tensor]:
    """Take a colour apart into a shade of the screen and what is left over.

    Args:
        rgb: (1, 3, h, w) float, linear Rec.709.
        color: same shape, the bare screen.
        hue: the screen's channel.

    Returns:
        The shade, (1, 1, h, w), 1 where the screen's channel is as bright as the bare screen's;
        and the remainder in the two other channels as a share of the screen's colour difference,
        (1, 2, h, w): a tenth of white cloth leaves about a tenth.
    """
    key, other = hue.value, 3 - hue.value
    shade = rgb[:, key : key + 1] / color[:, key : key + 1].clamp_min(1e-3)
    own = color_difference(color, hue).clamp_min(1e-3)
    rest = torch.cat([rgb[:, c : c + 1] - shade * color[:, c : c + 1] for c in (0, other)], 1)
    return shade, rest / own


def fit(rgb: Tensor, guess: Tensor, hue: Hue, from_plate: bool) -> Fitted:
    """Scale a first guess of the screen to the frame, lit and shadowed places alike.

    Args:
        rgb: (1, 3, h, w) float, linear Rec.709, the frame at analysis size.
        guess: (1, 3, h or 1, w or 1) float, the clean plate or one colour.
        hue: the screen's channel.
        from_plate: the guess follows the screen's own unevenness, so narrower bounds do.

    Returns:
        The screen of this frame.
    """
    seen = soften(soften(rgb))
    color = guess.expand_as(rgb)
    weight = rgb.new_zeros((1, 1, *rgb.shape[-2:]))
    seen_saturation = saturation(seen, hue)
    key = seen[:, hue.value : hue.value + 1]
    # chosen on rendered scenes: light from a quarter (deep shadow) to about twice the plate, or
    # a seventh to four times the screen's middle colour; saturation within an eighth.
    low, high, tolerance = (0.25, 1.8, 0.12) if from_plate else (0.15, 4.0, 0.11)
    alike = (seen_saturation / saturation(color, hue).clamp_min(0.05) - 1).abs() < tolerance
    level = key / color[:, hue.value : hue.value + 1].clamp_min(1e-3)
    if from_plate and bool(alike.any()):
        # Another exposure than the plate's is no shadow.
        level = level / level[alike].median().clamp_min(1e-3)
    alike &= (level > low) & (level < high)
    off: Tensor | None = None
    start, fine = guess.expand_as(rgb), max(rgb.shape[-2:]) > FINE
    for turn, (dark, bright) in enumerate(SPANS if fine else SPANS[:2]):
        weight = _well_inside(alike)
        known = pool(weight, 8)
        known = known * (known > 0.05)
        if float(known.sum()) == 0:
            break
        level = pool(rgb * weight, 8)
        if fine:
            color = start
            if turn:
                scale = level / pool(start * weight, 8).clamp_min(1e-6)
                known = _of_one_tint(scale, known, pool(start, 8), hue)
        for _ in range(2 if fine else 1):  # the second gives back what the squares smoothed away
            scale = level / pool(color * weight, 8).clamp_min(1e-6)
            wide = soften(spread(scale, known))
            color = color * enlarge(wide, (rgb.shape[-2], rgb.shape[-1]))
        shade, rest = remainder(seen, color, hue)
        off = rest.square().sum(1, keepdim=True).sqrt()
        bound = _bound(off, weight, BOUNDS)
        alike = (off < bound) & (shade > dark) & (shade < bright)
    if off is None:
        return Fitted(hue, color, weight, color, torch.zeros_like(weight))
    clear = _clear(off, shade, bound)
    # Folds narrower than the squares: the shade itself, where nothing else than screen is near.
    own = soften(soften(shade)).clamp(*SHADES)
    folded = color * torch.lerp(torch.ones_like(own), own, torch.maximum(soften(weight), clear))
    return Fitted(hue, folded, weight, color, clear)


def _clear(off: Tensor, shade: Tensor, bound: float) -> Tensor:
    """Where shades of any depth are folds, seams and shadows of the screen: far from all else.

    Near a subject a dark line may be a black hair, whose colour a picture does not always tell
    from a dark fold's; there only the smooth field counts.
    """
    reach = max(1, max(off.shape[-2:]) // REACH // 4)
    # What is nearly black has no tint to tell it by.
    foreign = (soften(off) > 3 * bound) | (soften(shade) < SHADES[0])
    foreign = (pool(foreign.to(off.dtype), 4) > 0.25).to(off.dtype)
    near = enlarge(grow(foreign, reach), (off.shape[-2], off.shape[-1]))
    alike = (off < 1.5 * bound) & (shade > SHADES[0]) & (shade < SHADES[1])
    return soften(alike.to(off.dtype)) * (1 - near)


@replayed
def _well_inside(alike: Tensor) -> Tensor:
    """Where whole neighbourhoods are alike: the subject's soft edge is no screen."""
    return shrink((soften(soften(alike.float())) > 0.97).float(), 3)


def _of_one_tint(scale: Tensor, known: Tensor, color: Tensor, hue: Hue) -> Tensor:
    """Leave out squares whose tint is not their wide surroundings': thin hair darkens the screen
    as a shade does, and tints it too little for single pixels to tell."""
    coarse = pool(known, 8)
    wide = spread(pool(scale * known, 8) / coarse.clamp_min(1e-6), coarse)
    wide = enlarge(soften(wide), (scale.shape[-2], scale.shape[-1])).clamp_min(1e-3)
    off = remainder(color * scale, color * wide, hue)[1].square().sum(1, keepdim=True).sqrt()
    bound = _bound(off, known, _TINT_BOUNDS)
    foreign = grow(((off > bound) & (known > 0)).to(known.dtype), 1)
    kept = known * (1 - foreign)
    # A screen lit in many tints is taken as it is.
    return kept if float(kept.sum()) > 0.3 * float(known.sum()) else known


def _bound(off: Tensor, weight: Tensor, limits: tuple[float, float]) -> float:
    """How far bare screen may be off, from how far it mostly is."""
    sure = off[..., ::2, ::2][weight[..., ::2, ::2] > 0]
    if sure.numel() == 0:
        return limits[1]
    # The middle of a two-dimensional normal spread's length is 1.18 standard deviations.
    return min(max(4 * float(sure.median()) / 1.18, limits[0]), limits[1])
