"""How much of the screen's light lies on the subject, as a share of what is seen there.

A pixel of the subject's outline is taken as its own colour, as bright as it may be, and a part of
the screen's: C = m F + s B, with F spread outward from deep inside the subject; least squares
gives m and s. Where the pixel is plainly of the screen's hue, a colour without hue and the
screen's light make the least that s can be (Smith and Blinn, "Blue Screen Matting", 1996).
"""

from __future__ import annotations

import torch
from torch import Tensor

from models.pyramid import enlarge, grow, pool, shrink, spread
from models.screen import Hue, Screen, normalised_difference, saturation

_ALIKE = 0.1
"""chosen: the subject's own colour may have a tenth of the screen's saturation in its hue."""


def spill(rgb: Tensor, screen: Screen, subject: Tensor) -> tuple[Tensor, Tensor]:
    """The screen's share of the light on the subject's outline.

    Args:
        rgb: (1, 3, h, w) float, linear Rec.709.
        screen: at the same size.
        subject: (1, 1, h, w) float, 1 where it is not screen.

    Returns:
        The share of the screen's channel, (1, 1, h, w) in [0, 1]; and how much each pixel tells,
        (1, 1, h, w) in [0, 1].
    """
    hue: Hue = screen.hue
    side = max(rgb.shape[-2:])
    # chosen: a rim of a hundredth of the picture and half as much left out before the inside; on 35
    # rendered people the mean share then followed the true one best (correlation .82, on 29 others
    # .76).
    width = max(4, side // 100)
    gap = width // 2
    solid = shrink(subject, 2)
    deep = shrink(subject, 2 + width + gap)
    known = pool(deep, 4)
    size = (rgb.shape[-2], rgb.shape[-1])
    own = enlarge(spread(pool(rgb * deep, 4) / known.clamp_min(1e-6), known), size)
    back = screen.color
    # Only where the outline is sharp (strong spill leaves .35 of it): loose hair and blur let the
    # screen itself through.
    rough = normalised_difference(rgb, back, hue)
    low = shrink(rough, 2)
    jump, wider = grow(rough, 2) - low, grow(rough, 4) - shrink(rough, 4)
    sharp = (low < 0.15) & (jump > 0.35) & (jump > 0.7 * wider)
    rim = solid * (1 - shrink(subject, 2 + width)) * grow(sharp.to(rgb.dtype), width)
    rim = rim * grow(deep, width + gap + 2)

    def dot(a: Tensor, b: Tensor) -> Tensor:
        return (a * b).sum(1, keepdim=True)

    ff, bb, fb = dot(own, own), dot(back, back), dot(own, back)
    apart = 1 - fb * fb / (ff * bb).clamp_min(1e-9)
    amount = (ff * dot(rgb, back) - fb * dot(rgb, own)) / (ff * bb * apart).clamp_min(1e-9)
    key = slice(hue.value, hue.value + 1)
    share = amount * back[:, key] / rgb[:, key].clamp_min(1e-3)
    full = saturation(back, hue).clamp_min(0.05)
    share = torch.maximum(share * (apart > 0.05), saturation(rgb, hue) / full).clamp(0, 1)
    # The darkest pixels have no hue to speak of, and of green cloth before a green screen nobody
    # can say whose green it is.
    tells = rim * (rgb.amax(1, keepdim=True) > 0.01) * (saturation(own, hue) / full < _ALIKE)
    return share, tells


def alike(rgb: Tensor, screen: Screen, subject: Tensor) -> float:
    """How much of the subject, away from its outline, has the screen's hue itself.

    Args:
        rgb: (1, 3, h, w) float, linear Rec.709.
        screen: at the same size.
        subject: (1, 1, h, w) float, 1 where it is not screen.

    Returns:
        A share, 0 to 1; clothes of that hue, or screen light all over.
    """
    deep = shrink(subject, 4)
    full = saturation(screen.color, screen.hue).clamp_min(0.05)
    near = (saturation(rgb, screen.hue) / full > 2.5 * _ALIKE) & (rgb.amax(1, keepdim=True) > 0.02)
    return float((near * deep).sum() / deep.sum().clamp_min(1))
