"""Layers brought to picture size: place, scale, and no seam between tiles."""

from __future__ import annotations

import pytest
import torch
from torch import Tensor

import models.tiles
from models.resample import resize
from models.tiles import Tile, everywhere, mask_tiles, plain_tiles, scaled_tiles, steps, trim
from models.transfer import Transfer, decode, encode


def codes(h: int, w: int, seed: int = 0) -> Tensor:
    g = torch.Generator().manual_seed(seed)
    return torch.randint(0, 256, (4, h, w), generator=g, dtype=torch.uint8)


def whole(tiles: list[Tile], size: tuple[int, int]) -> Tensor:
    done = list(everywhere(iter(tiles), size))
    return torch.cat([torch.cat([t.rgb_enc, t.alpha], 1) for t in done], 2)


def test_steps_cover_once() -> None:
    bands = list(steps(3, 50, 1 << 17))
    assert [b[0] for b in bands] == list(range(3, 50, 8))
    assert bands[-1][1] == 50


@pytest.mark.parametrize(("x", "y"), [(0, 0), (2, 1), (-3, -2), (6, 5)])
def test_a_layer_lands_at_its_offset(x: int, y: int) -> None:
    layer, size = codes(5, 6), (8, 9)
    got = whole(list(plain_tiles(layer, x, y, size)), size)
    expect = torch.zeros(1, 4, *size)
    for row in range(5):
        for column in range(6):
            if 0 <= row + y < 8 and 0 <= column + x < 9:
                expect[0, :, row + y, column + x] = layer[:, row, column] / 255
    torch.testing.assert_close(got, expect)


def test_a_layer_outside_gives_nothing() -> None:
    for x, y in ((9, 0), (-6, 0), (0, 8), (0, -5)):
        assert list(plain_tiles(codes(5, 6), x, y, (8, 9))) == []
        assert list(scaled_tiles(codes(5, 6), x, y, (8, 9), (16, 18))) == []
        assert list(mask_tiles(codes(5, 6)[0], (1.0, 0.0, 0.0), x, y, (8, 9))) == []


@pytest.mark.parametrize("size", [(18, 12), (60, 40), (31, 21), (90, 60)])
@pytest.mark.parametrize("tile", [1 << 20, 64])
def test_scaling_is_that_of_the_whole_canvas(
    size: tuple[int, int], tile: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(models.tiles, "_TILE_PIXELS", tile)
    layer, canvas = codes(20, 17), (45, 30)
    got = whole(list(scaled_tiles(layer, 5, 9, canvas, size)), size)
    flat = torch.zeros(1, 4, *canvas)
    rgba = layer.float() / 255
    flat[0, 3, 9:29, 5:22] = rgba[3]
    flat[0, :3, 9:29, 5:22] = decode(rgba[:3], Transfer.SRGB) * rgba[3]
    scaled = resize(flat, size)
    alpha = scaled[:, 3:].clamp(0, 1)
    straight = torch.where(alpha > 1e-6, scaled[:, :3] / alpha.clamp_min(1e-6), 0.0)
    expect_pm = encode(straight, Transfer.SRGB) * alpha
    torch.testing.assert_close(got[:, 3:], alpha, atol=2e-5, rtol=0)
    torch.testing.assert_close(got[:, :3] * got[:, 3:], expect_pm, atol=1e-3, rtol=0)


def test_scaling_mixes_light_and_not_codes() -> None:
    # One white and one black pixel to one: linear .5, which IEC 61966-2-1 encodes as code 188.
    layer = torch.zeros(4, 2, 2, dtype=torch.uint8)
    layer[3] = 255
    layer[:3, :, 0] = 255
    (tile,) = scaled_tiles(layer, 0, 0, (2, 2), (1, 1))
    assert tile.rgb_enc.mul(255).round().flatten().tolist() == [188.0] * 3
    assert tile.alpha.item() == 1.0


def test_no_fringe_where_hidden_colour_is_loud() -> None:
    # Transparent pixels of bright green beside opaque grey: the green must not bleed in.
    layer = torch.zeros(4, 8, 8, dtype=torch.uint8)
    layer[1] = 255
    layer[:, :, 4:] = torch.tensor([128, 128, 128, 255], dtype=torch.uint8).view(4, 1, 1)
    for tile in scaled_tiles(layer, 0, 0, (8, 8), (4, 5)):
        seen = (tile.alpha > 0.01).expand_as(tile.rgb_enc)
        assert (tile.rgb_enc[seen] * 255 - 128).abs().max() < 0.01


def test_sixteen_bits_are_kept() -> None:
    layer = torch.full((4, 2, 2), 65535, dtype=torch.int32)
    layer[:3] = 30001
    (plain,) = plain_tiles(layer, 0, 0, (2, 2))
    torch.testing.assert_close(plain.rgb_enc, torch.full((1, 3, 2, 2), 30001 / 65535))
    (scaled,) = scaled_tiles(layer, 0, 0, (2, 2), (1, 1))
    torch.testing.assert_close(scaled.rgb_enc, torch.full((1, 3, 1, 1), 30001 / 65535))


def test_a_canvas_one_pixel_wide() -> None:
    layer = codes(40, 1)
    layer[3] = 255
    for size in ((10, 1), (80, 1), (10, 3)):
        got = whole(list(scaled_tiles(layer, 0, 0, (40, 1), size)), size)
        wide = layer.repeat(1, 1, 4)
        expect = whole(list(scaled_tiles(wide, 0, 0, (40, 4), (size[0], 4))), (size[0], 4))
        torch.testing.assert_close(got[..., :1], expect[..., :1], atol=1e-5, rtol=0)


def test_an_empty_rim_is_left_out() -> None:
    layer = torch.zeros(4, 9, 8, dtype=torch.uint8)
    layer[:3] = 200
    layer[3, 2, 5] = 1
    layer[3, 6, 3] = 255
    part, x, y = trim(layer, 10, -20)
    assert part.shape == (4, 5, 3)
    assert (x, y) == (13, -18)
    assert part[3, 0, 2] == 1
    empty, *_ = trim(layer * 0, 0, 0)
    assert empty.numel() == 0
    assert list(plain_tiles(empty, 0, 0, (4, 4))) == []
    assert list(scaled_tiles(empty, 0, 0, (4, 4), (8, 8))) == []
