"""The matte's edge, moved in or out by parts of a pixel.

Source: grey-scale erosion and dilation (Serra, "Image Analysis and Mathematical Morphology",
1982): a flat structuring element moves an edge and keeps its softness. Between two whole radii the
two results are mixed, which moves a straight soft edge by the part between.
"""

from __future__ import annotations

import math

import torch
from torch import Tensor

from models.pyramid import grow, shrink, spread


def choke(alpha: Tensor, fg: Tensor, pixels: float) -> tuple[Tensor, Tensor]:
    """Take the matte's edge in, or out.

    Args:
        alpha: (1, 1, H, W) float, coverage.
        fg: (1, 3, H, W) float, linear Rec.709, straight.
        pixels: how far in; negative is out.

    Returns:
        Alpha and straight foreground, as new tensors; what an edge moved out covers anew takes the
        colour of the foreground beside it.
    """
    move = shrink if pixels > 0 else grow
    whole, part = int(abs(pixels)), math.modf(abs(pixels))[0]
    near = move(alpha, whole)
    moved = torch.lerp(near, move(alpha, whole + 1), part) if part else near.clone()
    if pixels >= 0:
        return moved, fg.clone()
    own = (alpha / moved.clamp_min(1e-6)).clamp(0, 1)
    weight, out = alpha.square(), torch.empty_like(fg)
    # One channel after another: of a large still all together would take a gigabyte more.
    for c in range(fg.shape[1]):
        channel = slice(c, c + 1)
        torch.lerp(spread(fg[:, channel], weight), fg[:, channel], own, out=out[:, channel])
    return moved, out
