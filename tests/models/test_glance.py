"""A frame seen small: its matte near the truth, its light by the plate, codings and turns."""

from __future__ import annotations

import pytest
import torch

from models.color import Encoding, rgb_to_planes, turn
from models.glance import FINER_SIDE, SIDE, Glancer
from models.pyramid import pool
from models.settings import KeySettings
from models.transfer import encode
from models.upright import Upright
from tests.models.screens import before, person, stopped

SETTINGS = KeySettings()


def frame(linear: torch.Tensor, turns: int = 0, depth: int = 8) -> Upright:
    encoding = Encoding(depth=depth)
    shown = encode(linear, encoding.transfer)
    planes = rgb_to_planes(turn(shown, -turns % 4).contiguous(), encoding)
    return Upright(planes, encoding, turns)


@pytest.mark.parametrize("turns", [0, 1, 2, 3])
@pytest.mark.parametrize("depth", [8, 10])
def test_the_matte_is_where_the_person_is(turns: int, depth: int) -> None:
    found = Glancer(SETTINGS)(frame(before(stopped(0.0)), turns, depth))
    assert found.screen_found
    assert max(found.alpha.shape) == SIDE
    assert max(found.finer_enc.shape) <= FINER_SIDE
    want = pool(person(), found.factor)
    assert float((found.alpha - want).abs().mean()) < 0.01
    assert found.coverage == pytest.approx(float(want.mean()), rel=0.05)
    assert found.size == (360, 480)


@pytest.mark.parametrize("stops", [-1.0, 0.0, 0.5])
def test_light_is_told_by_the_plate(stops: float) -> None:
    plate = frame(stopped(0.0), depth=10)
    found = Glancer(SETTINGS, plate)(frame(before(stopped(stops)), depth=10))
    assert found.plate_stops == pytest.approx(stops, abs=0.05)
    assert Glancer(SETTINGS)(frame(before(stopped(stops)), depth=10)).plate_stops is None


def test_a_plate_of_another_size_or_screen_is_left_out() -> None:
    other = frame(stopped(0.0)[..., :300])
    assert Glancer(SETTINGS, other)(frame(before(stopped(0.0)))).plate_stops is None
    grey = frame(torch.full((1, 3, 360, 480), 0.3))
    found = Glancer(SETTINGS, grey)(frame(before(stopped(0.0))))
    assert found.plate_stops is None
    assert found.screen_found


def test_without_a_screen_all_is_subject() -> None:
    found = Glancer(SETTINGS)(frame(torch.full((1, 3, 360, 480), 0.3)))
    assert not found.screen_found
    assert float(found.alpha.min()) == 1
    assert found.inner is None


def test_another_screen_than_the_one_asked_for_is_none() -> None:
    assert not Glancer(KeySettings(screen="blue"))(frame(before(stopped(0.0)))).screen_found
