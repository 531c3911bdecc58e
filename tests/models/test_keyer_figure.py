"""The Keyer finds the subject before it is placed, and lays several."""

from __future__ import annotations

from typing import Any

import pytest
import torch
from torch import Tensor

from models import analysis
from models.analysis import Analysis, Known
from models.color import SRGB_8BIT, turn
from models.composite import Scene
from models.figure import Figure
from models.keyer import Grade, Keyer
from models.mask import Mask
from models.plate import Plate
from models.register import registered
from models.resample import Placement
from tests.models.keying import GRADES, backdrop, scene
from tests.models.rendered import (
    GREEN,
    HEIGHT,
    SKIN,
    WIDTH,
    colour,
    person,
    rgb_planes,
    shown,
    uneven,
)
from tests.models.stages import room


def near(value: float | None, pixels: float, side: int, within: float = 2.5) -> bool:
    return value is not None and abs(value * side - pixels) <= within


@pytest.mark.parametrize("grade", GRADES)
@pytest.mark.parametrize("turns", [0, 1])
def test_a_person_before_the_screen(grade: Grade, turns: int) -> None:
    """Drawn by `rendered.person`: crown at 160 - 132 = 28, shoulders to the lower edge."""
    lying = rgb_planes(turn(scene().picture, -turns % 4))
    f = Keyer(grade).figure(lying, SRGB_8BIT, turns)
    assert f is not None
    assert near(f.head, 28, HEIGHT)
    assert near(f.top, 28, HEIGHT)
    assert near(f.centre, WIDTH / 2 + 13, WIDTH)
    assert near(f.left, 133 - 62, WIDTH)
    assert near(f.right, 133 + 62, WIDTH)
    assert f.bottom == 1
    assert f.feet is None


@pytest.mark.parametrize("grade", GRADES)
def test_nobody_and_no_screen(grade: Grade) -> None:
    bare = colour(GREEN).expand(1, 3, HEIGHT, WIDTH)
    assert Keyer(grade).figure(rgb_planes(bare), SRGB_8BIT) is None
    grey = torch.full((1, 3, HEIGHT, WIDTH), 0.3)
    assert Keyer(grade).figure(rgb_planes(grey), SRGB_8BIT) is None


def test_a_wall_beside_the_screen_is_no_figure() -> None:
    screen = colour(GREEN).expand(1, 3, HEIGHT, WIDTH)
    truth = shown(person(scale=0.8), colour(SKIN), room(screen))
    f = Keyer().figure(rgb_planes(truth.picture), SRGB_8BIT)
    assert f is not None
    assert f.left > 0.2
    assert f.right < 0.8


def test_strokes_count() -> None:
    """What is painted out is not looked at, what is painted in is."""
    planes = rgb_planes(scene().picture)
    keyer = Keyer()
    strokes = torch.zeros(1, 2, HEIGHT, WIDTH)
    strokes[:, 1, :70] = 1
    keyer.set_mask(Mask(strokes))
    f = keyer.figure(planes, SRGB_8BIT)
    assert f is not None
    assert near(f.top, 70, HEIGHT)
    strokes = torch.zeros(1, 2, HEIGHT, WIDTH)
    strokes[:, 0, 10:60, 20:70] = 1
    keyer.set_mask(Mask(strokes))
    f = keyer.figure(planes, SRGB_8BIT)
    assert f is not None
    assert near(f.top, 10, HEIGHT)
    assert near(f.left, 20, WIDTH)


@pytest.mark.parametrize("grade", GRADES)
def test_a_placement_told_from_the_figure(grade: Grade) -> None:
    planes, there = rgb_planes(scene().picture), backdrop(100, 120)
    told: list[Figure | None] = []

    def placing(figure: Figure | None) -> Placement:
        told.append(figure)
        assert figure is not None
        return Placement(0.5, 10 - 0.5 * WIDTH * figure.left, 5 - 0.5 * HEIGHT * figure.top)

    keyer = Keyer(grade)
    placed = keyer.place(planes, SRGB_8BIT, 0, placing, there.size)
    assert told == [placed.figure]
    assert placed.figure == Keyer(grade).figure(planes, SRGB_8BIT)
    direct = keyer.place(planes, SRGB_8BIT, 0, placed.placement, there.size)
    assert direct.figure is None
    assert placed.subject_pm is not None
    assert direct.subject_pm is not None
    assert torch.equal(placed.subject_pm, direct.subject_pm)
    alpha = keyer.lay(placed, there).alpha[0, 0] > 0.5
    assert abs(int(alpha.any(1).nonzero()[0]) - 5) <= 1
    assert abs(int(alpha.any(0).nonzero()[0]) - 10) <= 1


def test_a_frame_is_looked_at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    calls = 0
    analyse = Analysis.__call__

    def counted(*args: Any) -> Known:
        nonlocal calls
        calls += 1
        return analyse(*args)

    monkeypatch.setattr(Analysis, "__call__", counted)
    keyer = Keyer(Grade.LIVE)
    keyer.place(
        rgb_planes(scene().picture), SRGB_8BIT, 0, lambda _: Placement(0.5, 0, 0), (80, 120)
    )
    assert calls == 1


def test_frames_of_one_camera_lay_the_plate_once(monkeypatch: pytest.MonkeyPatch) -> None:
    laid: list[Tensor] = []

    def counted(frame: Tensor, plate: Plate) -> Plate:
        laid.append(frame)
        return registered(frame, plate)

    monkeypatch.setattr(analysis, "registered", counted)
    keyer = Keyer(Grade.FINAL)
    keyer.set_plate(rgb_planes(uneven(GREEN)), SRGB_8BIT)
    frame = rgb_planes(shown(person(), colour(SKIN), uneven(GREEN)).picture), SRGB_8BIT, 0
    first = keyer.figure(*frame)
    assert first is not None
    for _ in range(2):
        assert keyer.figure(*frame, follows=True) == first
    assert len(laid) == 1
    keyer.figure(*frame)
    assert len(laid) == 2


def test_two_frames_in_one_picture() -> None:
    one, other = rgb_planes(scene().picture), rgb_planes(scene(-20).picture)
    keyer, size = Keyer(), (80, 200)
    pair = [
        keyer.place(one, SRGB_8BIT, 0, Placement(0.5, 0, 0), size),
        keyer.place(other, SRGB_8BIT, 0, Placement(0.5, 80, 0), size),
    ]
    below = backdrop(*size).below
    got = keyer.lay(pair, Scene(below, (), ((),), (0, 1)), depth=16)
    again = keyer.lay([pair[1], pair[0]], Scene(below, (), ((),), (1, 0)), depth=16)
    assert torch.equal(got.picture, again.picture)
    first = keyer.lay(pair[0], Scene(below), depth=16)
    # decoded and encoded once more: a rounding of 16 bits
    assert int((got.picture[:, :60] - first.picture[:, :60]).abs().max()) <= 1
    assert got.coverage > 1.5 * first.coverage
