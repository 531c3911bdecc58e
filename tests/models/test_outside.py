"""Walls, stands and floors beside the screen: proposed, cut where safe, and no limb with them."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
import torch
from torch import Tensor

from models.keyer import Grade
from models.outside import convex_hull
from tests.models.keying import GRADES
from tests.models.rendered import (
    BLUE,
    GREEN,
    HEIGHT,
    SKIN,
    WIDTH,
    Shown,
    colour,
    grid,
    line,
    mean_error,
    person,
    shown,
    soft,
)
from tests.models.stages import (
    WALL,
    bare_error,
    fall_off,
    folds,
    keyed,
    naive,
    plain,
    room,
    solid,
)


def standing(fine: Tensor, back: Tensor) -> Shown:
    return shown(fine, colour(SKIN), back)


def reaching() -> Tensor:
    """A person whose arm leaves the frame at its left edge."""
    return torch.maximum(person(), line(110, 120, 96, -5, 14))


def test_the_hull_is_that_of_opencv() -> None:
    """Against cv2.convexHull (Sklansky's algorithm): a rim of a cell is left to rounding."""
    made = torch.Generator().manual_seed(3)
    for _ in range(5):
        points = torch.randint(10, 90, (12, 2), generator=made)
        cells = torch.zeros(1, 1, 100, 100)
        cells[0, 0, points[:, 0], points[:, 1]] = 1
        want = np.zeros((100, 100), np.uint8)
        around = cv2.convexHull(points.flip(1).numpy().astype(np.int32))
        cv2.fillConvexPoly(want, around, 1)
        got = convex_hull(cells)[0, 0].numpy() > 0.5
        assert got[want > 0].mean() > 0.97
        near = cv2.dilate(want, np.ones((5, 5), np.uint8)) > 0
        assert not got[~near].any()
    assert float(convex_hull(torch.zeros(1, 1, 9, 9)).max()) == 0


def test_the_hull_of_an_upright_screen_is_the_screen() -> None:
    cells = torch.zeros(1, 1, 90, 160)
    cells[..., 8:90, 20:141] = 1
    assert torch.equal(convex_hull(cells), cells)
    dented = cells.clone()
    dented[..., 40:, 60:100] = 0  # somebody before it
    assert torch.equal(convex_hull(dented), cells)


@pytest.mark.parametrize("grade", GRADES)
@pytest.mark.parametrize("plate", [False, True])
@pytest.mark.parametrize("base", [GREEN, BLUE])
def test_walls_and_stands_beside_the_screen_are_cut(
    base: tuple[float, float, float], plate: bool, grade: Grade
) -> None:
    truth = standing(person(), room(plain(base) * folds(0.2) * fall_off(0.7)))
    if base is GREEN:
        assert float(bare_error(naive(truth.picture), truth).mean()) > 0.2
    got = keyed(truth.picture, truth.back if plate else None, grade)
    assert float(bare_error(got.alpha, truth).mean()) < 0.001
    assert float(solid(got.alpha, truth).min()) > 0.93
    assert mean_error(got.alpha, truth.alpha) < 0.003
    # Nothing is left to look at.
    assert got.garbage is not None
    assert float(got.garbage.mean()) < 0.03


@pytest.mark.parametrize("grade", GRADES)
def test_with_a_plate_an_arm_over_the_wall_stays_and_the_wall_goes(grade: Grade) -> None:
    truth = standing(reaching(), room(plain()))
    got = keyed(truth.picture, truth.back, grade).alpha
    assert float(solid(got, truth).min()) > 0.93
    # A rim of wall around the arm is left, so that nothing of it is lost. measured .0025
    assert float(bare_error(got, truth).mean()) < 0.005


@pytest.mark.parametrize("grade", GRADES)
def test_without_a_plate_a_wall_with_an_arm_before_it_is_kept_and_said(grade: Grade) -> None:
    truth = standing(reaching(), room(plain()))
    got = keyed(truth.picture, None, grade)
    assert float(solid(got.alpha, truth).min()) > 0.93
    assert float(got.alpha[..., :, :16].min()) > 0.9
    assert got.garbage is not None
    left = got.garbage[..., : got.garbage.shape[-1] // 15]
    assert float(left.mean()) > 0.9
    # On the other side nothing reaches over.
    assert float(got.alpha[..., :, 222:].max()) < 0.01


@pytest.mark.parametrize("plate", [False, True])
@pytest.mark.parametrize("front", [SKIN, (0.33, 0.31, 0.28), (0.02, 0.02, 0.02)])
def test_feet_on_a_floor_are_never_cut(front: tuple[float, float, float], plate: bool) -> None:
    """Also in the floor's own colour."""
    truth = shown(person(), colour(front), room(plain(), floor=140.0))
    got = keyed(truth.picture, truth.back if plate else None)
    assert float(solid(got.alpha, truth).min()) > 0.99
    assert got.garbage is not None
    assert float(got.garbage[..., -4:, :].mean()) > 0.3


def test_with_a_plate_an_empty_floor_is_cut() -> None:
    y, x = grid()
    away = soft(torch.minimum(20 - (x - 120).abs(), torch.minimum(y - 30, 120 - y)))
    truth = standing(away, room(plain(), floor=140.0))
    got = keyed(truth.picture, truth.back).alpha
    assert float(bare_error(got, truth).mean()) < 0.002
    assert float(solid(got, truth).min()) > 0.999


@pytest.mark.parametrize("shift", [0.0, 6.0])
def test_somebody_in_the_plate_in_the_same_place_is_no_wall(shift: float) -> None:
    """A plate that was taken too late: the same person, on the floor, before a narrow screen."""
    back = room(plain(), floor=140.0)
    truth = standing(person(), back)
    late = standing(person(shift), back)
    got = keyed(truth.picture, late.picture)
    assert float(solid(got.alpha, truth).min()) > 0.99


@pytest.mark.parametrize("plate", [False, True])
@pytest.mark.parametrize("grade", GRADES)
def test_somebody_cropped_by_the_frames_side_is_kept(plate: bool, grade: Grade) -> None:
    y, x = grid()
    beside = soft(torch.minimum(40 + 6 * torch.sin(y / 9.0) - x, y - 30))
    truth = standing(torch.maximum(person(30.0, 0.8), beside), plain())
    got = keyed(truth.picture, truth.back if plate else None, grade).alpha
    assert float(solid(got, truth).min()) > 0.999
    assert mean_error(got, truth.alpha) < 0.004


@pytest.mark.parametrize("grade", GRADES)
def test_a_screen_that_fills_the_frame_has_no_outside(grade: Grade) -> None:
    truth = standing(person(), plain())
    for plate in (None, truth.back):
        got = keyed(truth.picture, plate, grade)
        assert got.garbage is not None
        assert float(got.garbage[..., :, :8].max()) == 0
        assert float(got.garbage.mean()) < 0.01


def test_no_screen_no_proposal() -> None:
    got = keyed(colour(WALL).expand(1, 3, HEIGHT, WIDTH))
    assert not got.screen_found
    assert got.garbage is None
    assert float(got.alpha.min()) == 1
