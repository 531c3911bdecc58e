"""Screens lit by formula, for the check: light in stops, folds, shadows, spill, borders."""

from __future__ import annotations

import torch
from torch import Tensor

from models.color import SRGB_8BIT, Encoding, rgb_to_planes
from models.transfer import encode
from models.upright import Upright
from tests.models.rendered import GREEN, RGB_16, SKIN, colour

HEIGHT, WIDTH = 360, 480
LIGHT = colour(GREEN).expand(1, 3, HEIGHT, WIDTH)


def grid(height: int = HEIGHT, width: int = WIDTH) -> tuple[Tensor, Tensor]:
    """y and x of the pixels' middles, 0 to 1, (1, 1, H, W)."""
    y = (torch.arange(height) + 0.5) / height
    x = (torch.arange(width) + 0.5) / width
    rows, columns = torch.meshgrid(y, x, indexing="ij")
    return rows[None, None], columns[None, None]


def blob(cy: float, cx: float, radius: float) -> Tensor:
    """A round bell, 1 in its middle; the radius as a share of the picture's height."""
    y, x = grid()
    reach = torch.hypot(y - cy, (x - cx) * WIDTH / HEIGHT)
    return torch.exp(-0.5 * (reach / radius).square())


def person(cx: float = 0.5, width: float = 0.26, top: float = 0.25) -> Tensor:
    """Coverage of somebody who stands on the lower edge, (1, 1, H, W)."""
    y, x = grid()
    body = torch.minimum(width / 2 - (x - cx).abs(), (y - top - 0.2) * HEIGHT / WIDTH) * WIDTH
    head = (0.1 - torch.hypot(y - top - 0.1, (x - cx) * WIDTH / HEIGHT)) * HEIGHT
    return torch.maximum((body + 0.5).clamp(0, 1), (head + 0.5).clamp(0, 1))


def stopped(stops: Tensor | float) -> Tensor:
    """The green screen under so many stops more light."""
    return LIGHT * torch.exp2(torch.as_tensor(stops))


def before(
    back: Tensor, cover: Tensor | None = None, front: Tensor | tuple[float, ...] = SKIN
) -> Tensor:
    """A subject before a screen, mixed in linear light."""
    alpha = person() if cover is None else cover
    shown = front if isinstance(front, Tensor) else torch.tensor(front).view(1, 3, 1, 1)
    return alpha * shown + (1 - alpha) * back


def upright(linear: Tensor, encoding: Encoding = RGB_16, turns: int = 0) -> Upright:
    """What a camera without faults gives of it."""
    planes = rgb_to_planes(encode(linear, encoding.transfer), encoding)
    return Upright(planes, encoding, turns)


def eight_bit(linear: Tensor) -> Upright:
    return upright(linear, SRGB_8BIT)
