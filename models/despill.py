"""The foreground's own colour: unmixed from the screen, its spill exchanged for neutral light.

What the screen throws onto the subject is the screen's colour times some amount; the excess of
the screen's channel over a limit made of the other two says how much (Smith and Blinn, "Blue
Screen Matting", SIGGRAPH 1996; the larger and the mean of the other two are the usual limits).
Taking it away leaves the subject darker than before a grey screen of the same brightness, so the
same luminance comes back as grey.
"""

from __future__ import annotations

import torch
from torch import Tensor

from models import color
from models.matte import step
from models.screen import Hue

TRUST = 0.05
"""chosen on rendered scenes: below about this alpha the spread colour counts for more than the
pixel's own remainder, whose error grows as 1/alpha."""

GIVEN_BACK = 0.9
"""chosen on rendered scenes: the share of the spill's luminance that comes back as grey."""


def owned(own_key: Tensor) -> Tensor:
    """How much of what a colour has above the mean of its other channels is its own.

    chosen on rendered people: below a tenth it is the screen's light on hair and skin, which
    reaches deep, and no colour of theirs.

    Args:
        own_key: (1, 1, ...) float, as in `models.matte.Subject`.
    """
    return own_key * step(own_key, 0.02, 0.12)


def unmix(rgb: Tensor, alpha: Tensor, back: Tensor, front: Tensor) -> Tensor:
    """The straight colour of the foreground in mixed pixels.

    Args:
        rgb: (1, 3, N) float, linear Rec.709.
        alpha: (1, 1, N), coverage.
        back: (1, 3, N), the bare screen.
        front: (1, 3, N), the foreground's spread colour, for where alpha is too small to divide.

    Returns:
        (1, 3, N) float, linear Rec.709, straight, not below 0.
    """
    clear = 1 - alpha
    doubt = TRUST * clear
    own = alpha * (rgb - clear * back)
    return ((own + doubt * front) / (alpha * alpha + doubt).clamp_min(1e-6)).clamp_min_(0)


def despill(
    front: Tensor,
    back: Tensor,
    own_key: Tensor,
    hue: Hue,
    amount: float,
    luminance: float = 1.0,
) -> Tensor:
    """Exchange the screen's light on the subject for neutral light.

    The screen's channel may stand as high as the larger of the two others, but not higher above
    their mean than it does in the subject's own colour nearby: blond hair lit by a green screen
    would else keep an olive rim, and a mean alone would turn yellow cloth orange.

    Args:
        front: (1, 3, H, W) float, linear Rec.709, straight.
        back: same shape, the bare screen.
        own_key: (1, 1, H, W), as `owned` gives it.
        hue: the screen's channel.
        amount: 0 leaves the colour alone, 1 takes all excess away.
        luminance: how much of the usual share of the luminance taken comes back as grey.

    Returns:
        Same shape, linear Rec.709, straight, in [0, 1]. A new tensor.
    """
    key, other = hue.value, 3 - hue.value

    def excess(rgb: Tensor) -> Tensor:
        first, second = rgb[:, 0:1], rgb[:, other : other + 1]
        total = first + second
        limit = torch.minimum(torch.maximum(first, second), total * (own_key + 0.5))
        return rgb[:, key : key + 1] - limit

    share = (excess(front) / excess(back).clamp_min(1e-3)).clamp_(0, 1) * amount
    luma = color.luminance(back)
    return (front - share * back + share * (luma * (GIVEN_BACK * luminance))).clamp_(0, 1)
