"""How far a subject moved from one frame to the next, without looking for where each part went.

Source: Horn and Schunck, "Determining Optical Flow", Artificial Intelligence 17, 1981: where
brightness is kept, its change in time is the movement along the gradient times the gradient. The
root mean squares of the two, one over the other, are the length of that movement.
"""

from __future__ import annotations

import torch
from torch import Tensor

from models.color import luminance
from models.errors import ShapeError
from models.transfer import Transfer, encode

_FLOOR = 1e-4
"""Squared gradient of noise: a flat subject that stands still does not move."""


def motion(before: Tensor, after: Tensor, alpha_before: Tensor, alpha_after: Tensor) -> float:
    """How far the subject moved between two frames.

    Args:
        before: (1, 3, h, w) float, linear Rec.709.
        after: same shape.
        alpha_before: (1, 1, h, w) float in [0, 1], its matte.
        alpha_after: same shape.

    Returns:
        The root mean square of the movement across the outlines and details of the subject, in
        pixels of these tensors; right up to about two, and no more than told to be large beyond.

    Raises:
        ShapeError: the frames differ in size.
    """
    if before.shape != after.shape or alpha_before.shape != alpha_after.shape:
        raise ShapeError(
            f"motion: got {tuple(before.shape)} and {tuple(after.shape)}; need one size"
        )
    here = torch.maximum(alpha_before, alpha_after)[..., 1:-1, 1:-1]
    first, second = (encode(luminance(x), Transfer.SRGB) for x in (before, after))
    level = [
        (x[..., 1:-1, 1:-1] * here).sum() / here.sum().clamp_min(1e-6) for x in (first, second)
    ]
    # A light that flickers is no movement.
    second = second * (level[0] / level[1].clamp_min(1e-3)).clamp(0.25, 4.0)
    change = (second - first)[..., 1:-1, 1:-1]
    middle = (first + second) / 2
    across = (middle[..., 1:-1, 2:] - middle[..., 1:-1, :-2]) / 2
    down = (middle[..., 2:, 1:-1] - middle[..., :-2, 1:-1]) / 2
    area = here.sum().clamp_min(1.0)
    slope = ((across.square() + down.square()) * here).sum() / area
    moved = (change.square() * here).sum() / area
    return float((moved / (slope + _FLOOR)).sqrt())
