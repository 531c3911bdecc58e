"""A plate laid on a frame whose camera moved, and left alone where nothing tells."""

from __future__ import annotations

import itertools
import math

import cv2
import numpy as np
import pytest
import torch
from torch import Tensor

from models.plate import Plate
from models.pyramid import pool, soften
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


def drawn(what: str, width: int, right: float = 0.0, down: float = 0.0) -> Tensor:
    """A flat screen with three seams or nine crosses of tape, moved by so many pixels."""
    height = width * 3 // 4
    y = (torch.arange(2 * height) + 0.5).view(-1, 1) / 2 - down
    x = (torch.arange(2 * width) + 0.5).view(1, -1) / 2 - right
    unit = width / 1280
    dark = torch.zeros(2 * height, 2 * width)
    if what == "seams":  # a little off the plumb line
        for at in (0.27, 0.61, 0.83):
            far = (x - at * width - 0.03 * (y - height / 2)).abs()
            dark += 0.35 * (1.5 * unit + 0.5 - far).clamp(0, 1)
    else:
        for at_y, at_x in itertools.product((0.1, 0.45, 0.85), (0.08, 0.5, 0.92)):
            far_y, far_x = (y - at_y * height).abs(), (x - at_x * width).abs()
            bars = [
                torch.minimum(14 * unit - one, 3 * unit - other)
                for one, other in ((far_x, far_y), (far_y, far_x))
            ]
            dark += 0.5 * (torch.maximum(*bars) + 0.5).clamp(0, 1)
    return pool(colour(GREEN) * (1 - dark), 2)


def grainy(picture: Tensor, grain: float, seed: int) -> Tensor:
    """With a camera's noise, softened as the pictures that are registered are."""
    made = torch.Generator().manual_seed(seed)
    noisy = (picture + grain * torch.randn(picture.shape, generator=made)).clamp(0, 1)
    return soften(soften(noisy))


@pytest.mark.parametrize("what", ["seams", "marks"])
@pytest.mark.parametrize(
    ("width", "grain"), [(640, 0.0), (640, 0.004), (640, 0.012), (1280, 0.0), (1280, 0.012)]
)
def test_a_few_edges_on_a_flat_screen_tell_the_move(what: str, width: int, grain: float) -> None:
    """Three pixels to the right: all of them, not a part."""
    plate, frame = drawn(what, width), drawn(what, width, right=3.0)
    frame[..., width // 4 :, width * 3 // 8 : width * 5 // 8] = colour(SKIN)
    got = find_move(grainy(frame, grain, 1), grainy(plate, grain, 2))
    # The plate is sampled from the left. measured: .04 of a pixel off at most.
    assert got.right * width == pytest.approx(-3, abs=0.1)
    # Of what lies along a seam nothing is told, so next to nothing is moved (.09 across its slant).
    assert got.down * width == pytest.approx(0, abs=0.2)
    assert abs(got.turn) * width / 2 < 0.1
    assert abs(got.grow) * width / 2 < 0.1


def test_marks_tell_all_of_a_move() -> None:
    plate = drawn("marks", 640)
    bump = Move(3 / 640, -2 / 640, math.radians(0.3), 0.003)
    got = find_move(grainy(moved(plate, bump), 0.008, 1), grainy(plate, 0.008, 2))
    assert got.right * 640 == pytest.approx(3, abs=0.15)
    assert got.down * 640 == pytest.approx(-2, abs=0.15)
    assert math.degrees(got.turn) == pytest.approx(0.3, abs=0.03)
    assert got.grow == pytest.approx(0.003, abs=0.0005)


def test_other_seams_leave_the_plate_where_it_is() -> None:
    """As far apart as no camera is bumped."""
    plate = grainy(drawn("seams", 640), 0.008, 1)
    assert find_move(grainy(drawn("seams", 640, right=40.0), 0.008, 2), plate) == Move()
    assert find_move(grainy(drawn("marks", 640), 0.008, 2), plate) == Move()


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
