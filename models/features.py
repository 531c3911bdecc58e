"""What the alpha of a pixel is told from: its colours, its neighbours, its surroundings.

All values are relative to the bare screen's own and in the order key channel, then the two
others, so that light level and hue of the screen drop out.
"""

from __future__ import annotations

from dataclasses import dataclass

import torch
from torch import Tensor
from torch.nn import functional

from models.color import luminance
from models.pyramid import box_mean, enlarge, grow, pool, shrink, soften
from models.screen import Hue, Screen

_SIDE = 1280
"""Longest side of a frame for which radii are given in pixels."""
OVERVIEW = 160
"""Longest side of the overview: a subject's shape shows, single strands do not."""
FLOOR = 0.005
"""Least light of the screen that something is compared with, linear."""


def share(light: Tensor, key: Tensor) -> Tensor:
    """Light as the networks see it: dark colours count about as much as they are seen.

    Args:
        light: (..., H, W) float, linear.
        key: likewise, the bare screen's own channel.

    Returns:
        Square roots of shares of that, up to six.
    """
    return (light / key).clamp(0, 6).sqrt()


def _wide_mean(x: Tensor, radius: int) -> Tensor:
    """A mean over about ``radius``, made on a pooled copy: it costs the same at any radius."""
    small = soften(soften(pool(x, max(1, radius // 2))))
    return enlarge(small, (x.shape[-2], x.shape[-1]))


def radius(size: tuple[int, int], pixels: float) -> int:
    """A radius given for a frame of 1280 pixels, brought to a field of ``size``; at least 1."""
    return max(1, round(pixels * max(size) / _SIDE))


@dataclass(frozen=True)
class Context:
    """What a whole frame tells about its pixels, at analysis size.

    Attributes:
        around: (1, 19, h, w), values that are looked up at single pixels.
        overview: (1, 9, h / n, w / n), the frame small, for the network that sees shapes.
    """

    around: Tensor
    overview: Tensor


def context(
    rgb: Tensor, screen: Screen, rough: Tensor, front: Tensor, core: Tensor, own_key: Tensor
) -> Context:
    """Describe a frame at analysis size.

    Args:
        rgb: (1, 3, h, w) float, linear Rec.709, the frame.
        screen: the bare screen at the same size.
        rough: (1, 1, h, w), the normalised colour difference, softened.
        front: (1, 3, h, w) linear Rec.709, the foreground's spread colour.
        core: (1, 1, h, w) in [0, 1], where nothing but subject is.
        own_key: (1, 1, h, w), as in `models.matte.Subject`.

    Returns:
        The description.
    """
    size = (rgb.shape[-2], rgb.shape[-1])
    order = channel_order(screen.hue)
    back = screen.color
    key = back[:, order[:1]].clamp_min(FLOOR)
    rough = rough.clamp(-0.3, 1.2)
    level = (luminance(rgb) / luminance(back).clamp_min(FLOOR)).clamp(0, 4).sqrt()
    near = radius(size, 3)
    low, high = shrink(rough, near), grow(rough, near)
    mean, square = box_mean(level, near), box_mean(level * level, near)
    texture = (square - mean * mean).clamp_min(0).sqrt()
    lower, higher = shrink(low, radius(size, 7)), grow(high, radius(size, 7))
    means = [_wide_mean(x, radius(size, p)) for x in (rough, core) for p in (4, 12, 40)]
    colors = torch.cat([share(back, key)[:, order[1:]], share(front, key)[:, order]], 1)
    around = [low, high, lower, higher, texture, mean, *means, colors, own_key, core]
    seen = [share(rgb, key)[:, order], rough, core, low, high, texture, own_key]
    factor = max(1, round(max(size) / OVERVIEW))
    return Context(torch.cat(around, 1), pool(torch.cat(seen, 1), factor))


def channel_order(hue: Hue) -> list[int]:
    """The screen's channel first, then red, then the one left."""
    return [hue.value, 0, 3 - hue.value]


def look_up(x: Tensor, row: Tensor, column: Tensor) -> Tensor:
    """Linear interpolation of a smooth field at single places.

    Args:
        x: (1, C, h, w) float.
        row: (N,) float, 0 at the field's upper edge, 1 at its lower.
        column: (N,) float, likewise.

    Returns:
        (C, N) float; beyond the middle of the last value that value.
    """
    grid = torch.stack([2 * column - 1, 2 * row - 1], -1)[None, None]
    found = functional.grid_sample(x, grid, padding_mode="border", align_corners=False)
    return found[0, :, 0]


def gathered(index: Tensor, *fields: Tensor) -> list[Tensor]:
    """Single pixels of fields.

    Args:
        index: (N,) int64, flat positions.
        fields: (1, C, H, W) each.

    Returns:
        (1, C, N) of each.
    """
    return [x[0].flatten(1).index_select(1, index)[None] for x in fields]


_RING = [(-1, -1), (-1, 0), (-1, 1), (0, -1), (0, 1), (1, -1), (1, 0), (1, 1)]


def _neighbours(x: Tensor, index: Tensor) -> Tensor:
    """The pixels at (N,) flat positions of (1, 1, H, W) and their eight neighbours: (9, N)."""
    height, width = x.shape[-2:]
    flat = x.reshape(-1)
    row, column = index // width, index % width
    rows = [(row + d).clamp(0, height - 1) * width for d in (-1, 0, 1)]
    columns = [(column + d).clamp(0, width - 1) for d in (-1, 0, 1)]
    around = [rows[1 + dy] + columns[1 + dx] for dy, dx in _RING]
    return torch.stack([flat.index_select(0, i) for i in (index, *around)])


def pixels(
    rgb: Tensor, rough: Tensor, key: Tensor, index: Tensor, hue: Hue, noise: float
) -> Tensor:
    """Describe single pixels and their neighbours, apart from their `Context`.

    Args:
        rgb: (1, 3, H, W) float, linear Rec.709, the frame at full size.
        rough: (1, 1, H, W), its normalised colour difference, not clamped.
        key: (N,), the screen's channel of the bare screen at each pixel.
        index: (N,) int64, flat positions.
        hue: the screen's channel.
        noise: the noise of the matte over the bare screen.

    Returns:
        (23, N) float.
    """
    key = key.clamp_min(FLOOR)[None]
    own = rgb[0].flatten(1).index_select(1, index)[channel_order(hue)]
    return torch.cat(
        [
            share(own, key),
            key.clamp(0, 2).sqrt(),
            torch.full_like(key, noise),
            _neighbours(rough, index).clamp(-0.3, 1.3),
            share(_neighbours(luminance(rgb), index), key),
        ]
    )
