"""Telling a screen from what stands before it: its hue, its middle colour, its saturation.

A shadow scales the screen's colour and keeps its saturation; a subject mixed in lowers the
saturation: that tells them apart in linear light. `models.field` fits the colour at every pixel.

Source of the colour difference G - max(R, B): Smith and Blinn, "Blue Screen Matting",
SIGGRAPH 1996 (Petro Vlahos's observation, there formula 1 with its discussion).
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

import torch
from torch import Tensor

from models.pyramid import pool

FLOOR = 0.004
"""Linear light below which a colour has no dependable hue (about code 13 of 255 in sRGB)."""


class Hue(Enum):
    """The channel that the screen is strong in."""

    GREEN = 1
    BLUE = 2


@dataclass(frozen=True)
class Screen:
    """What is known of the screen in one frame, at analysis size.

    Attributes:
        hue: green or blue.
        color: (1, 3, h, w) linear Rec.709, the bare screen behind everything, shadows included.
        sure: (1, 1, h, w) in [0, 1], where the frame shows nothing but screen.
    """

    hue: Hue
    color: Tensor
    sure: Tensor

    def noise(self, pixels: Tensor) -> float:
        """The noise of the matte over the bare screen.

        Args:
            pixels: (1, 3, h, w) linear Rec.709, single pixels of the frame, not averaged.

        Returns:
            The standard deviation of 1 minus the normalised colour difference.
        """
        off = normalised_difference(pixels, self.color, self.hue)
        seen = self.sure.sum().clamp_min(1)
        return float(((off.square() * self.sure).sum() / seen).sqrt())


def color_difference(rgb: Tensor, hue: Hue) -> Tensor:
    """How far the screen's channel stands above the larger of the other two.

    Args:
        rgb: (B, 3, ...) float, linear Rec.709.
        hue: the screen's channel.

    Returns:
        (B, 1, ...) float, in [-1, 1].
    """
    key = hue.value
    other = 3 - key
    return rgb[:, key : key + 1] - torch.maximum(rgb[:, 0:1], rgb[:, other : other + 1])


def normalised_difference(rgb: Tensor, screen_color: Tensor, hue: Hue) -> Tensor:
    """One minus the colour difference as a share of the bare screen's own.

    Exact for a foreground without hue; too high for one away from the screen's hue, too low for
    one that carries spill.

    Args:
        rgb: (B, 3, ...) float, linear Rec.709.
        screen_color: same shape, the bare screen.
        hue: the screen's channel.

    Returns:
        (B, 1, ...) float, not clamped.
    """
    own = color_difference(screen_color, hue).clamp_min(1e-3)
    return 1 - color_difference(rgb, hue) / own


def saturation(rgb: Tensor, hue: Hue) -> Tensor:
    """The colour difference as a share of the screen's channel; light level drops out.

    Args:
        rgb: (B, 3, H, W) float, linear Rec.709.
        hue: the screen's channel.

    Returns:
        (B, 1, H, W) float, at most 1.
    """
    key = rgb[:, hue.value : hue.value + 1]
    return color_difference(rgb, hue) / (key + FLOOR)


def strength(rgb: Tensor, hue: Hue) -> Tensor:
    """High where a colour is both bright and pure in the screen's channel.

    Args:
        rgb: (B, 3, H, W) float, linear Rec.709.
        hue: the screen's channel.

    Returns:
        (B, 1, H, W) float, 0 or more.
    """
    return color_difference(rgb, hue).clamp_min(0) * saturation(rgb, hue).clamp_min(0)


def _around(like: Tensor) -> float:
    """The share of the left, right and upper edges that is of this hue: a screen lies around its
    subject, and clothes of the other hue leave the frame below."""
    return float(torch.cat([like[0], like[1:, 0], like[1:, -1]]).float().mean())


def find(rgb: Tensor, wanted: Hue | None = None) -> tuple[Hue, Tensor] | None:
    """Find the screen's hue and middle colour in a frame.

    Args:
        rgb: (1, 3, h, w) float, linear Rec.709.
        wanted: look for this hue alone.

    Returns:
        The hue and a (1, 3, 1, 1) colour, or None where no screen is to be seen: too little of
        the frame is strongly green or blue.
    """
    small = pool(rgb, 8)
    best: tuple[float, Hue, Tensor] | None = None
    for hue in [wanted] if wanted else list(Hue):
        strong = strength(small, hue)
        # chosen: the strongest 5 % are screen wherever a tenth of the frame is; a subject that
        # fills four fifths of the picture leaves that much.
        top = float(torch.quantile(strong, 0.95))
        if top < 0.004:
            continue
        like = (strong > 0.5 * top)[0, 0]
        share = float(like.float().mean()) * top
        share *= 0.1 + _around(strong[0, 0] > 0.15 * top)
        if best is None or share > best[0]:
            best = share, hue, small[0][:, like].median(1).values.view(1, 3, 1, 1)
    return None if best is None else (best[1], best[2])
