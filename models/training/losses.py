"""What the edge network is taught: truth of alpha and colour, and how far it is off itself."""

from __future__ import annotations

import torch
from torch import Tensor
from torch.nn import functional

from models.basis import ASKED, CHANNELS, COLOR, OWN, PLAIN
from models.refine import AFTER, ALONE, BEFORE

_SLOPES = 1.0
"""chosen: weight of the error of alpha's differences between neighbours: Grad follows."""
_AREAS = 1.0
"""chosen: weight of the error of alpha's means over squares of 4 and 16 pixels."""
_EXPECTED = 1.0
_COLOR = 0.3


def _beyond(alpha: Tensor, truth: Tensor) -> Tensor:
    """Alpha as it is judged: going beyond 0 and 1 costs little, as it is clamped in use."""
    inside = alpha.clamp(0, 1)
    return inside + 0.05 * (alpha - inside)


def losses(said: Tensor, batch: Tensor) -> tuple[Tensor, Tensor]:
    """The loss of a batch.

    Args:
        said: (B, 7, H, W) float, what the network says.
        batch: (B, `crops.TOTAL`, H, W) float.

    Returns:
        The loss; the mean absolute error of alpha where it is asked about.
    """
    truth = batch[:, CHANNELS : CHANNELS + 1]
    within = batch[:, -1:]
    asked = (batch[:, ASKED : ASKED + 1] > 0) * within
    count = asked.sum().clamp_min(1)
    alpha = torch.where(asked > 0, batch[:, OWN : OWN + 1] + said[:, 0:1], batch[:, OWN : OWN + 1])
    off = _beyond(alpha, truth) - truth
    plain = (off.abs() * asked).sum() / count
    # The error of alpha if the correction is wholly followed; without it, of stills, where the two
    # colours have half a say, and of what goes by the small network alone.
    real = (alpha.clamp(0, 1) - truth).detach().abs()
    own, two = batch[:, OWN : OWN + 1], batch[:, PLAIN : PLAIN + 1]
    before = (torch.maximum(own, (own + two) / 2) - truth).abs()
    alone = (own - truth).abs()
    loss = plain
    slopes = [off[..., 1:, :] - off[..., :-1, :], off[..., 1:] - off[..., :-1]]
    marks = [
        torch.maximum(asked[..., 1:, :], asked[..., :-1, :]),
        torch.maximum(asked[..., 1:], asked[..., :-1]),
    ]
    for slope, mark in zip(slopes, marks, strict=True):
        loss = loss + _SLOPES * (slope.abs() * mark).sum() / count
    for side in (4, 16):
        mean = functional.avg_pool2d(off * asked, side)
        loss = loss + _AREAS * mean.abs().sum() * side * side / count
    for at, error in ((AFTER, real), (BEFORE, before), (ALONE, alone)):
        missed = said[:, at : at + 1] - error
        loss = loss + _EXPECTED * (missed.square() * asked).sum() / count
    weight = truth * (truth > 0.05) * within
    color = batch[:, COLOR] + said[:, 1:4] - batch[:, CHANNELS + 1 : CHANNELS + 4]
    loss = loss + _COLOR * (color.abs() * weight).sum() / weight.sum().clamp_min(1)
    return loss, (real * asked).sum() / count
