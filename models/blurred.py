"""Blurred limbs that passed for solid, found where the edge network takes much from solid parts.

A fast arm or a thrown ball is half transparent, yet far from the screen's colour, and so taken for
solid. Corrected pixel by pixel it would keep the border of what was solid as a line, so all of it
gets one smooth alpha: where a subject is blurred there is no detail to be lost.
"""

from __future__ import annotations

import torch
from torch import Tensor

from models.basis import ASKED, OWN, ROUGH
from models.features import box_mean, radius
from models.matte import step
from models.pyramid import grow, shrink

TAKEN = 0.2, 0.3
"""chosen: from where on, and from where on wholly, what is taken from solid parts means blur; a
sharp grey bar loses up to .17 of its middle."""
DETAIL = 0.10, 0.16
"""chosen: standard deviation of the normalised colour difference up to which there is blur, and
from which on there is none. Rendered arms and balls that passed for solid have .04 to .105
(deciles), drawn hair .15 to .45."""
_AROUND, _LEAST, _REACH, _SOFT, _SMOOTH = 3, 1, 12, 6, 3
"""chosen: radii in pixels of a frame of 1280: of that deviation, of the least spot that counts, how
far around it alpha is smooth, how softly that ends, and how smooth it is. With half of the reach
the border of what was solid is still seen in a blurred arm."""


def blurred_solid(x: Tensor, more: Tensor, size: tuple[int, int]) -> Tensor | None:
    """Where a blurred subject passed for solid, and the alpha that it has.

    Args:
        x: (1, 19, H, W) float, as `Basis` has it.
        more: (1, 1, H, W) float, what is to be added to its alpha, wholly followed.
        size: (h, w) of the frame at analysis size.

    Returns:
        (1, 2, H, W) float, both in [0, 1]: how surely that is so, and alpha; None: nowhere.
    """
    rim = x[:, ASKED : ASKED + 1] == 0.5
    low, high = TAKEN
    taken = step(torch.where(rim, -more, torch.zeros_like(more)), low, high)
    taken = grow(shrink(taken, radius(size, _LEAST)), radius(size, _LEAST))
    if not bool((taken > 0).any()):
        return None
    rough = x[:, ROUGH : ROUGH + 1]
    around = radius(size, _AROUND)
    spread = box_mean(rough.square(), around) - box_mean(rough, around).square()
    low, high = DETAIL
    flat = 1 - step(spread.clamp_min(0).sqrt(), low, high)
    sure = box_mean(grow(taken * flat, radius(size, _REACH)) * flat, radius(size, _SOFT))
    alpha = (x[:, OWN : OWN + 1] + more).clamp(0, 1)
    for _ in range(2):
        alpha = box_mean(alpha, radius(size, _SMOOTH))
    return torch.cat([sure, alpha], 1)
