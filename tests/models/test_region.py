"""Squares of a picture: cut out at another size, turned, mirrored, and brought back."""

from __future__ import annotations

import math

import pytest
import torch
from torch import Tensor

from models.color import Encoding, rgb_to_planes, turn
from models.region import Region
from models.upright import Upright


def slope(height: int = 120, width: int = 200) -> Tensor:
    """A picture that says where one is: x, y, and how far along the falling diagonal, in pixels."""
    y, x = torch.meshgrid(torch.arange(height) + 0.5, torch.arange(width) + 0.5, indexing="ij")
    return torch.stack([x, y, x + y])[None]


REGIONS = [
    Region(90.0, 60.0, 64.0),
    Region(90.3, 55.7, 50.0, 0.4),
    Region(110.0, 60.0, 70.0, -1.9, mirrored=True),
    Region(100.0, 60.0, 30.0, math.pi / 2),
]


@pytest.mark.parametrize("region", REGIONS)
def test_what_is_cut_out_lies_where_its_points_are_brought_back(region: Region) -> None:
    side = 32
    found = region.cut(slope(), side)[0, :2].permute(1, 2, 0).reshape(-1, 2)
    at = (torch.arange(side) + 0.5) / side
    down, right = torch.meshgrid(at, at, indexing="ij")
    want = region.to_picture(torch.stack([right, down], -1).view(-1, 2))
    torch.testing.assert_close(found, want, atol=1e-3, rtol=0)


def test_it_is_averaged_where_it_gets_smaller() -> None:
    """A checkerboard of single pixels is grey, not a moiré."""
    y, x = torch.meshgrid(torch.arange(256), torch.arange(256), indexing="ij")
    board = ((y + x) % 2).float()[None, None]
    found = Region(128.0, 128.0, 200.0).cut(board, 25)
    assert float((found - 0.5).abs().max()) < 0.02


def test_beyond_the_picture_it_is_black() -> None:
    ones = torch.ones(1, 3, 40, 40)
    found = Region(0.0, 20.0, 40.0).cut(ones, 20)
    assert float(found[..., :8].max()) == 0
    assert float(found[..., 12:].min()) == 1
    assert float(Region(-100.0, -100.0, 20.0).cut(ones, 8).max()) == 0


@pytest.mark.parametrize("turns", [0, 1, 2, 3])
@pytest.mark.parametrize("depth", [8, 10])
def test_of_a_frame_it_is_the_same_as_of_its_picture(turns: int, depth: int) -> None:
    encoding = Encoding(depth=depth)
    picture = (slope() / 320)[:, [0, 1, 1]]
    planes = rgb_to_planes(turn(picture, -turns % 4).contiguous(), encoding, "444")
    frame = Upright(planes, encoding, turns)
    for region in (*REGIONS, Region(5.0, 110.0, 60.0, 0.3)):
        found, want = region.cut_frame(frame, 24), region.cut(picture, 24)
        inner = (want > 0).all(1, keepdim=True).expand_as(want)
        assert float((found - want)[inner].abs().max()) < 1.5 / 255
    assert float(Region(-500.0, 0.0, 20.0).cut_frame(frame, 8).abs().max()) == 0
