"""A mask painted by hand: core and hold-out strokes that override the automatic matte.

White paint forces the subject inside (core matte), black paint cuts it away (hold-out), and where
nothing is painted, or mid-grey, the matte stays as it is. In between they count by their strength,
so that the soft edge of a brush is a soft edge of the matte. That white shows and black hides is
*common practice* for layer masks.

Both are coverages: with a core of c and a hold-out of h, alpha becomes (1 - c - h) a + c. That is
linear in c and h, so a mask may be scaled with its frame.
"""

from __future__ import annotations

from dataclasses import dataclass

import torch
from torch import Tensor

from models.color import turn
from models.errors import ShapeError

_GREY = 0.12
"""chosen: so far from the middle a grey is still no paint; L* = 50 is code 119 of 255 in sRGB, and
128 in other curves."""


@dataclass(frozen=True)
class Mask:
    """Strokes over an upright frame.

    Attributes:
        strokes: (1, 2, H, W) float32 in [0, 1]: core, then hold-out; together 1 at the most.
    """

    strokes: Tensor

    @property
    def size(self) -> tuple[int, int]:
        """(H, W) in pixels."""
        return (self.strokes.shape[-2], self.strokes.shape[-1])

    @property
    def painted(self) -> float:
        """The share of the frame that is painted, 0 to 1."""
        return float((self.strokes.sum(1) > 0).float().mean())

    def turned(self, quarter_turns: int) -> Mask:
        """The same over a frame that is turned clockwise by so many quarters more."""
        return Mask(turn(self.strokes, quarter_turns).contiguous())

    def then(self, later: Mask) -> Mask:
        """Both, the later strokes over the earlier ones.

        Raises:
            ShapeError: they are of different sizes.
        """
        if self.size != later.size:
            raise ShapeError(f"mask: got {self.size} and {later.size}; need one size")
        left = 1 - later.strokes.sum(1, keepdim=True).clamp(0, 1)
        return Mask(later.strokes + left * self.strokes)

    def to(self, device: torch.device | str) -> Mask:
        """The same on another device."""
        return Mask(self.strokes.to(device))


def from_paint(grey: Tensor, cover: Tensor) -> Mask:
    """Read strokes from what was painted.

    PNG holds straight colour, but some editors write it premultiplied: then the soft edge of a
    white stroke is as dark as it is thin, and nothing anywhere is brighter than its own cover.

    Args:
        grey: (H, W) float, encoded as in the file, in [0, 1].
        cover: (H, W) float, how opaque the paint is, in [0, 1].

    Returns:
        The mask.

    Raises:
        ShapeError: the two differ in size, or are no planes.
    """
    if grey.ndim != 2 or grey.shape != cover.shape:
        raise ShapeError(
            f"mask: got grey {tuple(grey.shape)} and cover {tuple(cover.shape)}; need two planes "
            "of one size"
        )
    if bool((grey <= cover + 2 / 255).all()):
        grey = (grey / cover.clamp_min(1e-3)).clamp_max(1)
    leaning = 2 * grey - 1
    strength = ((leaning.abs() - _GREY) / (1 - _GREY)).clamp(0, 1) * cover
    return Mask(torch.stack([strength * (leaning > 0), strength * (leaning < 0)])[None].float())


def from_matte(matte: Tensor, where: Tensor) -> Mask:
    """A matte painted by hand that holds where it was changed.

    Args:
        matte: (H, W) float, the alpha that was painted, in [0, 1].
        where: (H, W) float in [0, 1], how far it counts.

    Raises:
        ShapeError: the two differ in size, or are no planes.
    """
    if matte.ndim != 2 or matte.shape != where.shape:
        raise ShapeError(
            f"mask: got matte {tuple(matte.shape)} and {tuple(where.shape)} of where it counts; "
            "need two planes of one size"
        )
    return Mask(torch.stack([where * matte, where * (1 - matte)])[None].float())


def override(alpha: Tensor, fg: Tensor, rgb: Tensor, strokes: Tensor) -> tuple[Tensor, Tensor]:
    """Let painted strokes decide.

    Args:
        alpha: (1, 1, H, W) float, coverage as found by itself.
        fg: (1, 3, H, W) float, linear Rec.709, straight: the foreground as unmixed.
        rgb: same shape, the frame: what a pixel forced inside shows is all subject.
        strokes: (1, 2, H, W), as in `Mask`.

    Returns:
        Alpha and straight foreground. New tensors; where nothing is painted they are as before.
    """
    core, hold_out = strokes[:, 0:1], strokes[:, 1:2]
    kept = (1 - core - hold_out).clamp_min(0) * alpha
    whole = (kept + core).clamp(0, 1)
    share = torch.where(core > 0, core / (kept + core).clamp_min(1e-6), torch.zeros_like(core))
    return whole, torch.lerp(fg, rgb, share.clamp(0, 1))
