"""Bring one layer to the size of a picture, in tiles.

A layer that has to be scaled is scaled premultiplied and in linear light, first across and then
down, a band at a time: the filters are separable, so the result is that of scaling it whole.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import torch
from torch import Tensor

from models.resample import resize
from models.transfer import Transfer, decode, encode

Size = tuple[int, int]

# chosen: 1 Mi pixel a tile; 4 float32 channels and the blends' own tensors stay near 100 MB.
_TILE_PIXELS = 1 << 20
# Taps that the filters reach beyond the place of a layer, in picture pixels.
_REACH = 3
_NO_COVERAGE = 1e-6


@dataclass(frozen=True)
class Tile:
    """A piece of a layer at picture size: where, straight encoded colour, coverage."""

    at: tuple[slice, slice, slice, slice]
    rgb_enc: Tensor
    alpha: Tensor


def tile_at(y0: int, y1: int, x0: int, x1: int) -> tuple[slice, slice, slice, slice]:
    """Index of a rectangle in a (1, C, H, W) tensor."""
    return slice(None), slice(None), slice(y0, y1), slice(x0, x1)


def steps(first: int, last: int, across: int) -> Iterator[tuple[int, int]]:
    """Bands of ``first`` to ``last`` that hold a tile's worth of pixels each."""
    step = max(1, _TILE_PIXELS // max(across, 1))
    for start in range(first, last, step):
        yield start, min(start + step, last)


def unit(values: Tensor) -> Tensor:
    """Code values to [0, 1]."""
    return values.to(torch.float32).div_(255.0 if values.dtype == torch.uint8 else 65535.0)


def trim(pixels: Tensor, x: int, y: int) -> tuple[Tensor, int, int]:
    """A layer without the empty rim around what it shows: most layers are small on a large sheet.

    Args:
        pixels: (4, h, w) uint8 or int32.
        x: position of its left edge.
        y: position of its top edge.

    Returns:
        A view of the part that has any alpha, and its position; one without width if none has.
    """
    rows = torch.nonzero(pixels[3].amax(1)).flatten()
    if rows.numel() == 0:
        return pixels[:, :0, :0], x, y
    top, bottom = int(rows[0]), int(rows[-1]) + 1
    columns = torch.nonzero(pixels[3, top:bottom].amax(0)).flatten()
    left, right = int(columns[0]), int(columns[-1]) + 1
    return pixels[:, top:bottom, left:right], x + left, y + top


def plain_tiles(pixels: Tensor, x: int, y: int, size: Size) -> Iterator[Tile]:
    """Tiles of a layer whose canvas is the picture.

    Args:
        pixels: (4, h, w) uint8 or int32, straight sRGB-encoded.
        x: picture pixel of its left edge.
        y: picture pixel of its top edge.
        size: (H, W) of the picture.
    """
    top, left = max(y, 0), max(x, 0)
    bottom = min(y + pixels.shape[1], size[0])
    right = min(x + pixels.shape[2], size[1])
    if right <= left:
        return
    for y0, y1 in steps(top, bottom, right - left):
        part = unit(pixels[:, y0 - y : y1 - y, left - x : right - x]).unsqueeze(0)
        yield Tile(tile_at(y0, y1, left, right), part[:, :3], part[:, 3:])


def _linear_pm(part: Tensor) -> Tensor:
    """(4, h, w) codes to (1, 4, h, w) linear, premultiplied, by a table of every code."""
    levels = 256 if part.dtype == torch.uint8 else 65536
    codes = torch.arange(levels, dtype=torch.float32) / (levels - 1)
    table = decode(codes, Transfer.SRGB)
    out = torch.empty((1, *part.shape), dtype=torch.float32)
    alpha = unit(part[3])
    for c in range(3):
        torch.mul(
            table.index_select(0, part[c].int().flatten()).view_as(alpha), alpha, out=out[0, c]
        )
    out[0, 3] = alpha
    return out


def _down(part: Tensor, height: int) -> Tensor:
    """Scaled in height alone.

    torch 2.13's antialiased ``interpolate`` takes a tensor one pixel wide for channels-last and
    mixes its channels up, so that one column goes through as two.
    """
    if part.shape[-1] == 1:
        return resize(part.repeat(1, 1, 1, 2), (height, 2))[..., :1]
    return resize(part, (height, part.shape[-1]))


def scaled_tiles(pixels: Tensor, x: int, y: int, canvas: Size, size: Size) -> Iterator[Tile]:
    """Tiles of a layer on a canvas of another size than the picture.

    Args:
        pixels: (4, h, w) uint8 or int32, straight sRGB-encoded.
        x: canvas pixel of its left edge.
        y: canvas pixel of its top edge.
        canvas: (H, W) of the canvas.
        size: (H, W) of the picture.
    """
    top, left = max(y, 0), max(x, 0)
    bottom = min(y + pixels.shape[1], canvas[0])
    right = min(x + pixels.shape[2], canvas[1])
    if bottom <= top or right <= left:
        return
    sy, sx = size[0] / canvas[0], size[1] / canvas[1]
    # An enlarging filter reaches two canvas pixels.
    reach_y, reach_x = _REACH + math.ceil(2 * sy), _REACH + math.ceil(2 * sx)
    c0 = max(math.floor(left * sx) - reach_x, 0)
    c1 = min(math.ceil(right * sx) + reach_x, size[1])
    r0 = max(math.floor(top * sy) - reach_y, 0)
    r1 = min(math.ceil(bottom * sy) + reach_y, size[0])
    across = torch.zeros(1, 4, canvas[0], c1 - c0)
    for y0, y1 in steps(top, bottom, canvas[1]):
        band = torch.zeros(1, 4, y1 - y0, canvas[1])
        part = pixels[:, y0 - y : y1 - y, left - x : right - x]
        band[..., left:right] = _linear_pm(part)
        across[:, :, y0:y1] = resize(band, (y1 - y0, size[1]))[..., c0:c1]
    for x0, x1 in steps(0, c1 - c0, max(canvas[0], size[0])):
        column = _down(across[..., x0:x1], size[0])[:, :, r0:r1]
        alpha = column[:, 3:].clamp(0, 1)
        # The filters' weights sum to one within rounding; what was whole stays whole.
        alpha = torch.where(alpha > 1 - 1e-5, torch.ones_like(alpha), alpha)
        covered = alpha > _NO_COVERAGE
        straight = column[:, :3] / torch.where(covered, alpha, torch.ones_like(alpha))
        rgb_enc = encode(straight, Transfer.SRGB).mul_(covered)
        yield Tile(tile_at(r0, r1, c0 + x0, c0 + x1), rgb_enc, alpha)


def mask_tiles(
    mask: Tensor, color: tuple[float, float, float], x: int, y: int, size: Size
) -> Iterator[Tile]:
    """The tile of one colour through a mask that is drawn at picture size.

    Args:
        mask: (h, w) uint8 coverage.
        color: sRGB-encoded, in [0, 1].
        x: picture pixel of its left edge.
        y: picture pixel of its top edge.
        size: (H, W) of the picture.
    """
    h, w = mask.shape
    top, left = max(y, 0), max(x, 0)
    bottom, right = min(y + h, size[0]), min(x + w, size[1])
    if bottom <= top or right <= left:
        return
    alpha = unit(mask[top - y : bottom - y, left - x : right - x])[None, None]
    rgb_enc = torch.tensor(color, dtype=torch.float32).view(1, 3, 1, 1)
    at = tile_at(top, bottom, left, right)
    yield Tile(at, rgb_enc.expand(1, 3, *alpha.shape[-2:]), alpha)


def flat_tiles(rgb_pm: Tensor, alpha: Tensor) -> Iterator[Tile]:
    """Tiles of layers that are flattened at picture size.

    Args:
        rgb_pm: (1, 3, H, W) float32, sRGB-encoded, premultiplied.
        alpha: (1, 1, H, W) float32.
    """
    h, w = alpha.shape[-2:]
    for y0, y1 in steps(0, h, w):
        part = alpha[:, :, y0:y1]
        covered = part > _NO_COVERAGE
        straight = rgb_pm[:, :, y0:y1] / torch.where(covered, part, torch.ones_like(part))
        yield Tile(tile_at(y0, y1, 0, w), straight.mul_(covered).clamp_(0, 1), part)


def within(tiles: Iterator[Tile], rows: slice) -> Iterator[Tile]:
    """What of tiles lies in rows of the picture, counted from the first of these."""
    for t in tiles:
        _, _, down, across = t.at
        y0, y1 = max(down.start, rows.start), min(down.stop, rows.stop)
        if y1 > y0:
            part = slice(y0 - down.start, y1 - down.start)
            at = tile_at(y0 - rows.start, y1 - rows.start, across.start, across.stop)
            yield Tile(at, t.rgb_enc[:, :, part], t.alpha[:, :, part])


def everywhere(tiles: Iterator[Tile], size: Size) -> Iterator[Tile]:
    """The tiles laid into an empty layer as large as the picture."""
    rgb, alpha = torch.zeros(1, 3, *size), torch.zeros(1, 1, *size)
    for tile in tiles:
        rgb[tile.at] = tile.rgb_enc
        alpha[tile.at] = tile.alpha
    for y0, y1 in steps(0, size[0], size[1]):
        yield Tile(tile_at(y0, y1, 0, size[1]), rgb[:, :, y0:y1], alpha[:, :, y0:y1])
