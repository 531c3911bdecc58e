"""Where the chroma samples of a frame sit, measured: many clips were made off their standard.

H.264 leaves chroma left of its square where nothing is said, and cameras keep to that; programs
that make clips from RGB often halve chroma in the middle and say nothing either. Half a pixel of
the wrong siting costs a fifth of the matte's error on rendered hair. An outline between subject and
screen tells: luma and chroma are mixed there in one proportion, so luma, halved at the right place,
is chroma times a number and plus another.

Source of the chroma sample locations: ITU-T H.264, Annex E (chroma_sample_loc_type: 0, left, is
inferred where it is absent).
"""

from __future__ import annotations

from dataclasses import replace

import torch
from torch import Tensor
from torch.nn import functional

from models.color import Encoding, Matrix, Planes, Siting

_BLOCK = (4, 8)
"""Rows and columns of chroma samples that are compared with luma at a time."""
_STRONG = 500.0
"""Sum of both chroma variances, codes of 8 bit squared, from which a block shows an outline."""
_ALIKE = 0.7
"""Share of them that luma must explain."""
_ENOUGH = 20
_CENTRED = 0.3
"""chosen, like the three above, on rendered people in motion at three strengths of compression,
with left and with centred chroma: an offset in luma pixels that no left one of 35 reached (most
.14), and half of the centred ones did; where too few blocks speak, the standard holds."""


def _offset(planes: Planes, depth: int) -> float | None:
    """How far right of the even luma columns chroma sits, in luma pixels; None: not to be told."""
    unit = float(1 << (depth - 8))
    luma = planes[0].to(torch.float32)[None, None] / unit
    chroma = torch.stack([planes[1], planes[2]])[None].to(torch.float32) / unit
    if luma.shape[-2] != chroma.shape[-2]:
        luma = functional.avg_pool2d(luma, (2, 1), ceil_mode=True, count_include_pad=False)
    height, width = (
        have // block * block for have, block in zip(chroma.shape[-2:], _BLOCK, strict=True)
    )
    if not height or not width:
        return None
    luma = functional.pad(luma[..., :height, :], (2, 2, 0, 0), mode="replicate")
    changes = _deviations(chroma[..., :height, :width])
    variance = _means(changes.square()).sum(1, keepdim=True)
    explained = []
    for first in (1, 2, 3):  # one luma pixel left of the even ones, at them, one right of them
        left, middle, right = (
            luma[..., first + d : first + d + 2 * width : 2][..., :width] for d in (-1, 0, 1)
        )
        halved = _deviations((left + 2 * middle + right) / 4)
        both = _means(changes * halved).square()
        explained.append((both / (_means(halved.square()) + 1)).sum(1, keepdim=True))
    told = torch.cat(explained, 1)
    clear = (variance > _STRONG) & (told.amax(1, keepdim=True) > _ALIKE * variance)
    if int(clear.sum()) < _ENOUGH:
        return None
    before, here, after = (float(told[:, i : i + 1][clear].sum()) for i in range(3))
    # The top of the parabola through the three.
    bend = 2 * here - before - after
    return (after - before) / (2 * bend) if bend > 1e-4 * here else None


def _means(x: Tensor) -> Tensor:
    return functional.avg_pool2d(x, _BLOCK)


def _deviations(x: Tensor) -> Tensor:
    mean = _means(x).repeat_interleave(_BLOCK[0], -2).repeat_interleave(_BLOCK[1], -1)
    return x - mean


def sited(planes: Planes, encoding: Encoding) -> Encoding:
    """The encoding, with chroma in the middle where the frame shows that it is.

    Args:
        planes: three (H, W) integer tensors, as the Keyer takes them.
        encoding: how they are to be read; only a left siting is doubted.

    Returns:
        The same encoding, or one that is sited in the centre.
    """
    halved = planes[1].shape[-1] == (planes[0].shape[-1] + 1) // 2 < planes[0].shape[-1]
    if encoding.matrix is Matrix.RGB or encoding.siting is not Siting.LEFT or not halved:
        return encoding
    offset = _offset(planes, encoding.depth)
    if offset is None or not _CENTRED < offset < 1:
        return encoding
    return replace(encoding, siting=Siting.CENTER)
