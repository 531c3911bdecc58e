"""A plate laid on a frame whose camera moved, and left alone where nothing tells."""

from __future__ import annotations

import math

import cv2
import numpy as np
import pytest
import torch
from torch import Tensor

from models.plate import Plate
from models.register import Move, find_move, moved, registered
from tests.models.rendered import GREEN, HEIGHT, SKIN, WIDTH, colour, mean_error, person, shown
from tests.models.stages import bare_error, folds, keyed, plain, room

BUMP = Move(3 / WIDTH, -2 / WIDTH, math.radians(0.15), 0.002)


def cloth(seed: int = 1, depth: float = 0.15, height: int = HEIGHT, width: int = WIDTH) -> Tensor:
    """A creased screen: smooth noise of three sizes."""
    made = torch.Generator().manual_seed(seed)
    light = torch.zeros(1, 1, height, width)
    for k in (8, 16, 32):
        coarse = torch.randn(1, 1, height // k + 2, width // k + 2, generator=made)
        light += torch.nn.functional.interpolate(coarse, (height, width), mode="bicubic") / 3
    return colour(GREEN) * (1 + depth * light).clamp(0.3, 2)


def test_moved_by_a_whole_pixel_is_the_picture_shifted() -> None:
    picture = torch.rand(1, 3, 40, 60, generator=torch.Generator().manual_seed(2))
    got = moved(picture, Move(right=2 / 60, down=-1 / 60))
    torch.testing.assert_close(got[..., 2:-2, 2:-4], picture[..., 1:-3, 4:-2], atol=1e-4, rtol=0)
    torch.testing.assert_close(moved(picture, Move()), picture, atol=1e-5, rtol=0)


@pytest.mark.parametrize("gain", [1.0, 1.11])
@pytest.mark.parametrize("subject", [False, True])
def test_the_move_is_found(gain: float, subject: bool) -> None:
    plate = cloth()
    frame = moved(plate, BUMP) * gain * colour((1.05, 1.0, 0.95))
    if subject:
        frame[..., 50:, 70:170] = colour(SKIN)
    got = find_move(frame, plate)
    # measured .11 of a pixel at most and a hundredth of a degree
    assert abs(got.right * WIDTH - 3) < 0.2
    assert abs(got.down * WIDTH + 2) < 0.2
    assert abs(math.degrees(got.turn) - 0.15) < 0.03
    assert abs(got.grow - 0.002) < 0.001


def test_the_move_is_that_of_the_correlation_coefficient() -> None:
    """Against OpenCV's findTransformECC (Evangelidis and Psarakis, IEEE PAMI 30, 2008)."""
    plate = cloth(height=240, width=320)
    frame = moved(plate, Move(2.4 / 320, 1.3 / 320, math.radians(0.3)))
    got = find_move(frame, plate)
    warp = np.eye(2, 3, dtype=np.float32)
    criteria = (cv2.TERM_CRITERIA_COUNT | cv2.TERM_CRITERIA_EPS, 200, 1e-7)
    first, second = (np.ascontiguousarray(x[0, 1].numpy()) for x in (frame, plate))
    _, ecc = cv2.findTransformECC(first, second, warp, cv2.MOTION_EUCLIDEAN, criteria)
    middle = ecc @ np.array([159.5, 119.5, 1.0]) - np.array([159.5, 119.5])
    assert got.right * 320 == pytest.approx(middle[0], abs=0.05)
    assert got.down * 320 == pytest.approx(middle[1], abs=0.05)
    assert got.turn == pytest.approx(math.asin(float(ecc[1, 0])), abs=3e-4)


@pytest.mark.parametrize("grain", [0.0, 0.03])
def test_a_screen_without_detail_leaves_the_plate_where_it_is(grain: float) -> None:
    made = torch.Generator().manual_seed(6)
    frame, plate = (
        plain() * (1 + grain * torch.randn(1, 3, HEIGHT, WIDTH, generator=made)) for _ in range(2)
    )
    frame[..., 60:, 80:160] = colour(SKIN)
    assert find_move(frame, plate) == Move()


def test_another_picture_altogether_leaves_the_plate_where_it_is() -> None:
    assert find_move(cloth(seed=1), cloth(seed=9)) == Move()
    same = cloth()
    kept = Plate(same, same, torch.zeros_like(same[:, 0:1]))
    assert registered(cloth(seed=9), kept) is kept


def test_a_moved_plate_of_a_folded_screen_serves_as_the_unmoved() -> None:
    """By 3 pixels and .15 degree, .15 stop brighter and warmer."""
    truth = shown(person(), colour(SKIN), plain() * folds())
    plate = moved(truth.back, BUMP) * 2**0.15 * colour((1.05, 1.0, 0.95))
    got = keyed(truth.picture, plate.clamp(0, 1)).alpha
    want = keyed(truth.picture, truth.back).alpha
    assert float(bare_error(got, truth).mean()) < 2e-4
    assert mean_error(got, truth.alpha) < mean_error(want, truth.alpha) + 2e-4


def test_surroundings_tell_the_move_where_the_screen_cannot() -> None:
    truth = shown(person(), colour(SKIN), room(plain(), left=40.0, right=205.0, floor=130.0))
    plate = moved(truth.back, BUMP).clamp(0, 1)
    got = find_move(truth.picture, plate)
    # The plate is brought back: the other way round.
    assert abs(got.right * WIDTH + 3) < 0.4
    assert abs(got.down * WIDTH - 2) < 0.4
