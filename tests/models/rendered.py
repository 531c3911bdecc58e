"""Scenes whose truth is known exactly: coverage, colours and screen made by formula.

Shapes are drawn by their signed distance at ``FINE`` samples a pixel a side and averaged in linear
light, so that a mixed pixel is mixed as a lens mixes it, C = a F + (1 - a) B (Porter and Duff,
"Compositing Digital Images", SIGGRAPH 1984).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import torch
from torch import Tensor
from torch.nn.functional import avg_pool2d

from models.color import SRGB_8BIT, Encoding, Matrix, Planes, Range, Siting, rgb_to_planes
from models.transfer import Transfer, encode

HEIGHT, WIDTH = 160, 240
FINE = 4

GREEN = (0.05, 0.36, 0.08)
BLUE = (0.04, 0.09, 0.40)
GREY = (0.30, 0.30, 0.30)
SKIN = (0.45, 0.25, 0.17)
TEAL = (0.06, 0.20, 0.22)
PALE_YELLOW = (0.72, 0.66, 0.34)
BLUE_GREY = (0.20, 0.24, 0.31)
BROWN = (0.07, 0.045, 0.03)

RGB_16 = Encoding(Matrix.RGB, Range.FULL, Transfer.SRGB, Siting.CENTER, 16)
VIDEO_8 = Encoding(Matrix.BT709, Range.NARROW, Transfer.BT709, Siting.LEFT, 8)


def colour(value: tuple[float, float, float]) -> Tensor:
    return torch.tensor(value).view(1, 3, 1, 1)


@cache
def _grid(height: int, width: int) -> tuple[Tensor, Tensor]:
    y = (torch.arange(height * FINE) + 0.5) / FINE
    x = (torch.arange(width * FINE) + 0.5) / FINE
    rows, columns = torch.meshgrid(y, x, indexing="ij")
    return rows, columns


def grid(height: int = HEIGHT, width: int = WIDTH) -> tuple[Tensor, Tensor]:
    """y and x of the fine samples, in pixels."""
    return _grid(height, width)


def soft(distance: Tensor, width: float = 1.0) -> Tensor:
    """Coverage from a distance in pixels, positive inside, over an edge ``width`` pixels wide."""
    return (distance / width + 0.5).clamp(0, 1)


def ellipse(cy: float, cx: float, ry: float, rx: float, edge: float = 1.0) -> Tensor:
    y, x = grid()
    reach = torch.hypot((y - cy) / ry, (x - cx) / rx)
    return soft((1 - reach) * min(ry, rx), edge)


def person(shift: float = 0.0, scale: float = 1.0, edge: float = 1.0) -> Tensor:
    """Fine coverage of a head on shoulders that reach the lower edge."""
    y, x = grid()
    middle = WIDTH / 2 + shift
    head = ellipse(HEIGHT - 102 * scale, middle, 30 * scale, 23 * scale, edge)
    shoulders = ellipse(HEIGHT + 4.0, middle, 80 * scale, 62 * scale, edge)
    neck = soft(torch.minimum(12 * scale - (x - middle).abs(), y - (HEIGHT - 95 * scale)), edge)
    return torch.maximum(torch.maximum(head, shoulders), neck)


def line(y0: float, x0: float, y1: float, x1: float, width: float) -> Tensor:
    """Fine coverage of a straight strand, ``width`` pixels thick."""
    y, x = grid()
    length = ((y1 - y0) ** 2 + (x1 - x0) ** 2) ** 0.5
    dy, dx = (y1 - y0) / length, (x1 - x0) / length
    along = (y - y0) * dy + (x - x0) * dx
    across = ((y - y0) * dx - (x - x0) * dy).abs()
    inside: Tensor = (across <= width / 2) & (along >= 0) & (along <= length)
    return inside.float()


def uneven(base: tuple[float, float, float]) -> Tensor:
    """A screen that is lit from one side: a third of a stop from end to end."""
    x = torch.linspace(1.1, 0.88, WIDTH).view(1, 1, 1, WIDTH).expand(1, 1, HEIGHT, WIDTH)
    return colour(base) * x


def pooled(fine: Tensor) -> Tensor:
    """Fine samples to pixels: (H, W) to (1, 1, H, W), or (1, C, H, W)."""
    return avg_pool2d(fine if fine.ndim == 4 else fine[None, None], FINE)


@dataclass(frozen=True)
class Shown:
    """A scene: coverage, premultiplied foreground and bare screen, linear, at pixel size."""

    alpha: Tensor
    fg_pm: Tensor
    back: Tensor

    @property
    def picture(self) -> Tensor:
        return self.fg_pm + (1 - self.alpha) * self.back

    def over(self, back: Tensor) -> Shown:
        """The same subject before another screen."""
        return Shown(self.alpha, self.fg_pm, back.expand_as(self.fg_pm))


def shown(fine: Tensor, front: Tensor, back: Tensor) -> Shown:
    """A scene of one fine coverage and a colour, (1, 3, 1, 1) or fine."""
    alpha = pooled(fine)
    flat = front.shape[-2:] == (1, 1)
    fg_pm = alpha * front if flat else pooled(fine[None, None] * front)
    return Shown(alpha, fg_pm, back.expand(1, 3, *alpha.shape[-2:]).clone())


def rgb_planes(linear: Tensor, encoding: Encoding = SRGB_8BIT) -> Planes:
    return rgb_to_planes(encode(linear, encoding.transfer), encoding)


def video_planes(linear: Tensor, encoding: Encoding = VIDEO_8, chroma: str = "420") -> Planes:
    return rgb_to_planes(encode(linear, encoding.transfer), encoding, chroma)


def mean_error(got: Tensor, want: Tensor) -> float:
    return float((got - want).abs().mean())


def mixed_error(got: Tensor, want: Tensor) -> float:
    """Mean error over the pixels that are neither subject nor screen."""
    mixed = (want > 0.001) & (want < 0.999)
    return float((got - want).abs()[mixed].mean())
