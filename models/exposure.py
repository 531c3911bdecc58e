"""How bright a subject is, and how much of it is clipped or drowned in black.

Measured on single pixels, since averages hide clipping. What is right differs from person to
person: these figures are to be compared between frames of the same people.
"""

from __future__ import annotations

from dataclasses import dataclass

import torch
from torch import Tensor

from models.color import LUMA_WEIGHTS, Matrix

_TOP = 0.985
"""Encoded R', G' or B' from here on counts as clipped: cameras bend their curves below 1."""
_BOTTOM = 0.03
"""Luma up to here counts as black."""
_LEAST = 4.0
_BINS = 256


@dataclass(frozen=True)
class Exposure:
    """How a part of a frame is exposed.

    Attributes:
        middle: its median luma, encoded, in [0, 1].
        high: the luma that a tenth of it lies above, encoded, in [0, 1].
        clipped: the share of it with a channel at its upper end.
        black: the share of it that is black.
    """

    middle: float
    high: float
    clipped: float
    black: float


def _quantile(luma: Tensor, weight: Tensor, share: float) -> float:
    """The luma that a share of the weight lies below."""
    at = (luma * (_BINS - 1)).round().long().clamp_(0, _BINS - 1)
    counted = torch.zeros(_BINS).index_add_(0, at, weight).cumsum(0)
    below = torch.searchsorted(counted, share * counted[-1])
    return float(below.clamp_max(_BINS - 1)) / (_BINS - 1)


def exposure(sampled_enc: Tensor, where: Tensor) -> Exposure | None:
    """Measure a part of a frame.

    Args:
        sampled_enc: (1, 3, h, w) float in [0, 1], single pixels, encoded R'G'B'.
        where: (1, 1, h, w) float in [0, 1], how much each counts: a matte, or a face in it.

    Returns:
        None where nothing counts.
    """
    weight = where.flatten()
    total = float(weight.sum())
    if total < _LEAST:
        return None
    kr, kb = LUMA_WEIGHTS[Matrix.BT709]
    red, green, blue = sampled_enc[0].flatten(1)
    luma = kr * red + (1 - kr - kb) * green + kb * blue
    top = torch.maximum(torch.maximum(red, green), blue)
    return Exposure(
        _quantile(luma, weight, 0.5),
        _quantile(luma, weight, 0.9),
        float((weight * (top >= _TOP)).sum()) / total,
        float((weight * (luma <= _BOTTOM)).sum()) / total,
    )
