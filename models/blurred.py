"""Blurred limbs that passed for solid, found where the edge network takes much from solid parts.

A fast arm or a thrown ball is half transparent, yet far from the screen's colour, and so taken for
solid. Corrected pixel by pixel it would keep the border of what was solid as a line, so all of it
gets one smooth alpha: where a subject is blurred there is no detail to be lost.
"""

from __future__ import annotations

import torch
from torch import Tensor

from models.basis import ASKED, BACK, FRONT, NOISE, OWN, RIM, ROUGH, Basis
from models.color import luminance
from models.despill import unmix
from models.features import channel_order, radius, share
from models.matte import step
from models.pyramid import box_mean, grow, shrink

TAKEN, SHARE = (0.15, 0.4), 1 / 3
"""chosen: from where on, and from where on wholly, what is taken from a solid pixel means blur, and
of how many pixels around that makes it sure. A sharp grey bar loses up to .17 of its middle; what
comes and goes over less would flicker in films."""
DETAIL = 0.10, 0.16
"""chosen: standard deviation of the normalised colour difference, beyond the noise, up to which
there is blur, and from which on there is none. Rendered arms and balls that passed for solid have
.04 to .105 (deciles), drawn hair .15 to .45."""
FLAT = 0.15, 0.5
"""chosen: share of the pixels around without detail from where on, and from where on wholly, there
is blur, which has grain; an outline leaves less."""
_AROUND, _NEAR, _REACH, _SOFT, _SMOOTH, _TINT = 3, 6, 8, 4, 3, 8
"""chosen: radii in pixels of a frame of 1280: of that deviation, of what is around, how far beyond
alpha is smooth, how softly that ends, and how smooth it and its colour are. With half of the reach
the border of what was solid is still seen in a blurred arm; where alpha lacks a little, unmixed
colour that is not smoothed has a crimson ring."""


def blurred_solid(basis: Basis, more: Tensor, unlike: Tensor) -> Tensor | None:
    """Where a blurred subject passed for solid, and the alpha and colour that it has.

    Args:
        basis: what the edge network saw.
        more: (1, 1, H, W) float, what is to be added to its alpha.
        unlike: (1, 1, H, W) float in [0, 1], how surely a pixel is not the bare screen.

    Returns:
        (1, 5, H, W) float: how surely that is so, in [0, 1], alpha, likewise, and the straight
        foreground, linear Rec.709; None: nowhere.
    """
    x, size = basis.channels, basis.size
    mark = x[:, ASKED : ASKED + 1]
    taken = step(torch.where(mark == RIM, -more, torch.zeros_like(more)), *TAKEN)
    if not bool((taken > 0).any()):
        return None
    around = radius(size, _AROUND)
    # Softly, since grain is no outline; and no outline is reached over by what follows.
    flat = box_mean(1 - step(_deviation(basis, around), *DETAIL), around)
    flat = shrink(step(flat, *FLAT), radius(size, _SOFT // 2))
    much = (box_mean(taken * flat, radius(size, _NEAR)) / SHARE).clamp_max(1)
    sure = box_mean(grow(much, radius(size, _REACH)) * flat, radius(size, _SOFT))
    sure = sure * unlike  # the screen beyond an outline must not be filled by what is inside
    alpha = (x[:, OWN : OWN + 1] + more).clamp(0, 1)
    for _ in range(2):
        alpha = _mean(alpha, sure, radius(size, _SMOOTH))
    return torch.cat([sure, alpha, _color(basis, alpha, sure, radius(size, _TINT))], 1)


def _color(basis: Basis, alpha: Tensor, sure: Tensor, around: int) -> Tensor:
    """The straight foreground, smooth: (1, 3, H, W) linear Rec.709."""
    order = channel_order(basis.hue)
    back, front = (basis.channels[:, c].square() * basis.key for c in (BACK, FRONT))
    fg = unmix(basis.shown[:, order], alpha, torch.cat([basis.key, back], 1), front)
    fg = _mean(fg, alpha * sure, around)
    return fg[:, [order.index(c) for c in range(3)]]


def _mean(x: Tensor, weight: Tensor, around: int) -> Tensor:
    """Weighed mean over a square; 0 where there is no weight."""
    return box_mean(x * weight, around) / box_mean(weight, around).clamp_min(1e-6)


def _deviation(basis: Basis, around: int) -> Tensor:
    """Standard deviation beyond the noise, of the normalised colour difference or of the luminance.

    Deeper than the rim the first is not given, so only what is asked about counts.
    """
    x = basis.channels
    noise = x[:, NOISE : NOISE + 1].square()
    rough, known = x[:, ROUGH : ROUGH + 1], (x[:, ASKED : ASKED + 1] > 0).to(x.dtype)
    root = share(luminance(basis.shown), basis.key)
    variances = [
        _mean(values.square(), weight, around) - _mean(values, weight, around).square()
        for values, weight in ((rough, known), (root, torch.ones_like(root)))
    ]
    return (torch.maximum(*variances) - noise).clamp_min(0).sqrt()
