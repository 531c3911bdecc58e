"""What a film shows beside a design of another shape: its background, enlarged and out of focus.

Common practice for upright pictures on wide screens. Darkened, so that the design stands out, with
a soft shadow around it, so that it lies on top.
"""

from __future__ import annotations

import torch
from torch import Tensor
from torch.nn import functional

from models.composite import Overlay
from models.flatten import Folded
from models.pyramid import soften
from models.resample import resize
from models.transfer import Transfer, decode, encode

# chosen by eye: squares of so many pixels a side; nothing of the background is told apart any more.
_SQUARE = 40
_ROUNDS = 6
# chosen by eye, shares of linear light.
_DARK = 0.28
_SHADOW = 0.55
# Share of the film's shorter side.
_REACH = 0.035


def blurred(background: Tensor, size: tuple[int, int]) -> Tensor:
    """A background that covers a film, blurred and darkened.

    Args:
        background: (1, 3, h, w) float, linear Rec.709, opaque.
        size: (H, W) of the film.

    Returns:
        (1, 3, H, W) float, linear Rec.709.
    """
    small = (max(2, -(-size[0] // _SQUARE)), max(2, -(-size[1] // _SQUARE)))
    have = background.shape[-2], background.shape[-1]
    grown = max(small[0] / have[0], small[1] / have[1])
    cover = max(small[0], round(have[0] * grown)), max(small[1], round(have[1] * grown))
    shown = resize(background, cover)
    top, left = (cover[0] - small[0]) // 2, (cover[1] - small[1]) // 2
    shown = shown[..., top : top + small[0], left : left + small[1]]
    for _ in range(_ROUNDS):
        shown = soften(shown)
    return resize(shown.clamp_min(0), size).clamp_(0, 1).mul_(_DARK)


def shaded(sides: Tensor, window: tuple[int, int, int, int]) -> Tensor:
    """Sides with the soft shadow of what lies on them.

    Args:
        sides: (1, 3, H, W) float, linear.
        window: top, left, bottom, right of what lies on them.
    """
    high, wide = sides.shape[-2:]
    top, left, bottom, right = window
    ys = torch.arange(high, dtype=torch.float32, device=sides.device) + 0.5
    xs = torch.arange(wide, dtype=torch.float32, device=sides.device) + 0.5
    down = torch.maximum(top - ys, ys - bottom).clamp_min(0)
    across = torch.maximum(left - xs, xs - right).clamp_min(0)
    far = (down[:, None] ** 2 + across[None] ** 2).sqrt_()
    shade = torch.exp(-far / (_REACH * min(high, wide)))
    return sides * (1 - _SHADOW * shade)


def around(sides: Tensor, window: tuple[int, int, int, int]) -> Folded:
    """The step that shows sides outside a window and leaves what is inside.

    Args:
        sides: (1, 3, H, W) float, linear.
        window: top, left, bottom, right.
    """
    top, left, bottom, right = window
    size = sides.shape[-2], sides.shape[-1]
    gain = sides.new_zeros(1, 1, *size)
    gain[..., top:bottom, left:right] = 1
    offset = encode(sides, Transfer.SRGB)
    offset[..., top:bottom, left:right] = 0
    return Folded((Overlay(gain=gain.expand(1, 3, *size), offset=offset),))


def paper(size: tuple[int, int], inside: tuple[int, int, int, int], sides: Tensor | None) -> Tensor:
    """What a design lies on: white under its canvas, and the sides beyond it.

    Args:
        size: (H, W) of the film.
        inside: top, left, bottom, right of the canvas in the film; may reach beyond it.
        sides: (1, 3, H, W) float, linear; None where the canvas fills the film.

    Returns:
        (1, 3, H, W) float32, sRGB-encoded, opaque.
    """
    if sides is None:
        return torch.ones(1, 3, *size)
    out = encode(sides, Transfer.SRGB)
    top, left, bottom, right = inside
    out[..., max(top, 0) : max(bottom, 0), max(left, 0) : max(right, 0)] = 1
    return out


def plain(color: tuple[float, float, float], size: tuple[int, int]) -> Tensor:
    """One sRGB colour in [0, 1] as linear sides of (H, W)."""
    one = decode(torch.tensor(color, dtype=torch.float32).view(1, 3, 1, 1), Transfer.SRGB)
    return functional.interpolate(one, size)
