"""What landmarks say, on drawn ones: the opening of an eye, the turn of a head."""

from __future__ import annotations

import math

import pytest
import torch
from torch import Tensor

from models.errors import ShapeError
from models.landmarks import (
    EYE_POINTS,
    MESH_POINTS,
    eye_regions,
    opening,
    turn_of_head,
)


def eye(height: float, angle: float = 0.0, scale: float = 1.0) -> Tensor:
    """Lids as two flat roofs of a height over a width of 1, turned."""
    points = torch.zeros(EYE_POINTS, 3)
    x = torch.linspace(0, 1, 9)
    points[:9, 0], points[9:16, 0] = x, x[1:-1]
    points[1:8, 1], points[9:16, 1] = height / 2, -height / 2
    cos, sin = math.cos(angle), math.sin(angle)
    turned = torch.stack(
        [points[:, 0] * cos - points[:, 1] * sin, points[:, 0] * sin + points[:, 1] * cos], 1
    )
    return torch.cat([turned * scale + 7, points[:, 2:]], 1)


@pytest.mark.parametrize("height", [0.0, 0.1, 0.33])
@pytest.mark.parametrize(("angle", "scale"), [(0.0, 1.0), (0.7, 1.0), (-2.0, 40.0)])
def test_an_opening_is_height_over_width(height: float, angle: float, scale: float) -> None:
    assert opening(eye(height, angle, scale)) == pytest.approx(height, abs=1e-5)


def head(aside: float, nod: float) -> Tensor:
    """A mesh of which the outermost points are known, turned by degrees; x, y and depth."""
    points = torch.zeros(MESH_POINTS, 3, dtype=torch.float64)
    points[234], points[454] = torch.tensor([[-1.0, 0, 0], [1.0, 0, 0]])
    points[10], points[152] = torch.tensor([[0, -1.3, 0], [0, 1.3, 0]])
    for n, (x, y) in {
        33: (-0.6, -0.3),
        133: (-0.2, -0.3),
        362: (0.2, -0.3),
        263: (0.6, -0.3),
    }.items():
        points[n] = torch.tensor([x, y, 0.0])
    a, b = math.radians(aside), math.radians(nod)
    yaw = torch.tensor([[math.cos(a), 0, -math.sin(a)], [0, 1, 0], [math.sin(a), 0, math.cos(a)]])
    pitch = torch.tensor([[1, 0, 0], [0, math.cos(b), -math.sin(b)], [0, math.sin(b), math.cos(b)]])
    return (points @ (pitch.double() @ yaw.double()).T * 50 + 100).float()


@pytest.mark.parametrize("degrees", [-40.0, -5.0, 0.0, 20.0])
def test_a_turn_is_told_in_degrees(degrees: float) -> None:
    assert turn_of_head(head(degrees, 0)) == pytest.approx((degrees, 0), abs=1e-3)
    assert turn_of_head(head(0, degrees)) == pytest.approx((0, degrees), abs=1e-3)


def test_eyes_are_looked_for_around_their_corners_the_right_one_mirrored() -> None:
    left, right = eye_regions(head(0, 0))
    assert (left.x, left.y) == pytest.approx((100 - 20, 100 - 15))
    assert (right.x, right.y) == pytest.approx((100 + 20, 100 - 15))
    assert left.side == right.side == pytest.approx(2.3 * 20)
    assert (left.mirrored, right.mirrored) == (False, True)
    assert left.angle == pytest.approx(0)


def test_other_numbers_of_points_are_refused() -> None:
    with pytest.raises(ShapeError, match="opening"):
        opening(torch.zeros(5, 3))
    with pytest.raises(ShapeError, match="turn_of_head"):
        turn_of_head(torch.zeros(5, 3))
    with pytest.raises(ShapeError, match="eye_regions"):
        eye_regions(torch.zeros(5, 3))
