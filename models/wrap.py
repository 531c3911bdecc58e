"""Light wrap: the new background's light spills a little over the subject's edge.

In front of a bright view a lens and the air scatter some of its light over whatever stands before
it; without that a cut-out looks pasted on. The background is blurred and added inside the matte's
edge (*common practice* in compositing), here in linear light and never beyond the background's own
brightness: light is only added, and no edge comes out brighter than what it borrows from.
"""

from __future__ import annotations

from collections.abc import Iterable

import torch
from torch import Tensor

from models.pyramid import enlarge_squares, pool, soften

_REACH = 0.008
"""chosen by eye on prints: the blur's standard deviation as a share of the picture's longer
side."""
_ROUNDS = 7
"""Rounds of a 3x3 blur over squares of half that width: the square, the rounds and the linear
enlarging have variances of 1/12, 7/2 and 1/6 squares, which makes 1.94 squares together."""
_SQUARES = 1.94


def _factor(size: tuple[int, int]) -> int:
    return max(1, round(max(size) * _REACH / _SQUARES))


def _soft(small: Tensor) -> Tensor:
    for _ in range(_ROUNDS):
        small = soften(small)
    return small


def glow(below: Tensor) -> Tensor:
    """The light that a background throws around: blurred, and kept small.

    Args:
        below: (1, 3, H, W) float, linear Rec.709, the whole background.

    Returns:
        (1, 3, h, w) float, linear Rec.709.
    """
    return glow_of([below], (below.shape[-2], below.shape[-1]))


def light_wrap(
    front_pm: Tensor,
    cover: Tensor,
    light: Tensor,
    rows: slice,
    columns: slice,
    size: tuple[int, int],
    amount: float,
) -> Tensor:
    """Let the background's light spill over the subject's edge.

    Args:
        front_pm: (1, 3, rows, columns) float, linear Rec.709, premultiplied by ``cover``.
        cover: (1, 1, rows, columns) float, coverage, in [0, 1].
        light: the whole background's `glow`.
        rows, columns: where the subject lies in the picture.
        size: (H, W) of the picture.
        amount: 0 adds nothing, 1 as much as reaches the edge.

    Returns:
        Same shape as ``front_pm``, premultiplied: nowhere darker than it, and nowhere brighter
        than the brighter of it and the background's light. A new tensor.
    """
    beyond = outside([cover], size)
    here = slice(0, cover.shape[-2])
    return wrapped(front_pm, cover, light, beyond, rows, here, columns, size, amount)


def square(size: tuple[int, int]) -> int:
    """The side, in pixels, of the squares that light is blurred in; for a picture of ``size``.

    Rows may be handed to `glow_of` and `outside` in bands of a multiple of it.
    """
    return _factor(size)


def glow_of(bands: Iterable[Tensor], size: tuple[int, int]) -> Tensor:
    """`glow` of a background of ``size`` that comes in bands of rows, the upper first."""
    return _soft(torch.cat([pool(band, _factor(size)) for band in bands], -2))


def outside(covers: Iterable[Tensor], size: tuple[int, int]) -> Tensor:
    """How far it is from within a subject to what lies outside: its coverage's blurred inverse.

    Args:
        covers: (1, 1, rows, columns) float in [0, 1], the coverage in bands, the upper first.
        size: (H, W) of the picture.

    Returns:
        (1, 1, h, w) float, small.
    """
    return _soft(torch.cat([pool(1 - cover, _factor(size)) for cover in covers], -2))


def wrapped(
    front_pm: Tensor,
    cover: Tensor,
    light: Tensor,
    beyond: Tensor,
    rows: slice,
    part: slice,
    columns: slice,
    size: tuple[int, int],
    amount: float,
) -> Tensor:
    """Rows of what `light_wrap` gives.

    Args:
        front_pm: (1, 3, part, columns) float, linear Rec.709, premultiplied by ``cover``.
        cover: (1, 1, part, columns) float, coverage, in [0, 1].
        light: as in `light_wrap`.
        beyond: of the whole subject, from `outside`.
        rows: where these lie in the picture.
        part: which of the subject's rows they are.
        columns, size, amount: as in `light_wrap`.

    Returns:
        Same shape as ``front_pm``. A new tensor.
    """
    factor = _factor(size)
    near = enlarge_squares(beyond, part, slice(0, cover.shape[-1]), factor)
    around = enlarge_squares(light, rows, columns, factor)
    missing = (cover * around - front_pm).clamp_min(0)
    return torch.addcmul(front_pm, near * amount, missing)
