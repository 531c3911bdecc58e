"""Screens are green, shaded and ended; shadows only darken."""

from __future__ import annotations

import numpy as np
import pytest

from models.training import backdrops, chances
from models.training.backdrops import backdrop, screen, shadow
from models.training.chances import Chances, Dice

SIZE = (120, 160)
NOTHING = Chances().without(*chances.names())


def test_a_screen_is_green_however_it_is_lit() -> None:
    for seed in range(20):
        lit = screen((96, 72), np.random.default_rng(seed), usual=seed % 2 == 0)
        assert lit.shape == (96, 72, 3)
        assert (lit[..., 1] > lit[..., 0]).all()
        assert (lit[..., 1] > lit[..., 2]).all()


@pytest.mark.parametrize("shading", [backdrops.wrinkles, backdrops.seams])
def test_cloth_is_shaded_within_bounds(shading: object) -> None:
    assert callable(shading)
    for seed in range(12):
        stops = shading(SIZE, np.random.default_rng(seed))
        assert stops.shape == SIZE
        assert 0.005 < stops.std() < 1
        assert abs(np.median(stops)) < 0.5


def test_a_plain_backdrop_is_its_screen() -> None:
    dice = Dice(3, NOTHING)
    plain = backdrop(SIZE, dice, usual=True)
    assert plain.floor is None
    assert np.array_equal(plain.light, screen(SIZE, dice.of("screen"), usual=True))


def test_a_floor_is_another_below_its_line_alone() -> None:
    for seed in range(8):
        bare = backdrop(SIZE, Dice(seed, NOTHING), usual=True).light
        got = backdrop(SIZE, Dice(seed, Chances(**{**vars(NOTHING), "floor": 1})), usual=True)
        assert got.floor is not None
        above, below = int(got.floor) - 20, int(got.floor) + 3
        assert np.abs(got.light[:above] / bare[:above] - 1).max() < 0.01
        assert np.abs(got.light[below:] / bare[below:] - 1).mean() > 0.01


@pytest.mark.parametrize(("what", "most"), [("marks", 0.3), ("ending", 0.6)])
def test_marks_and_walls_hide_a_part_and_leave_the_rest(what: str, most: float) -> None:
    for seed in range(8):
        bare = backdrop(SIZE, Dice(seed, NOTHING), usual=True).light
        made = backdrop(SIZE, Dice(seed, Chances(**{**vars(NOTHING), what: 1})), usual=True)
        got = made.light
        assert (made.aside is None) == (what == "marks")
        if made.aside is not None:
            assert np.array_equal(got[~made.aside], bare[~made.aside])
            assert (np.abs(got - bare).max(2) > 1e-6)[made.aside].mean() > 0.9
        share = (np.abs(got - bare).max(2) > 1e-6).mean()
        assert 0 < share < most
        if what == "ending":
            assert np.abs(got[:, [0, -1]] - bare[:, [0, -1]]).max() > 0.01


def test_a_shadow_darkens_and_lies_on_the_floor() -> None:
    alpha = np.zeros(SIZE, np.float32)
    alpha[30:100, 70:90] = 1
    for seed in range(8):
        wall = shadow(alpha, None, np.random.default_rng(seed))
        both = shadow(alpha, 60.0, np.random.default_rng(seed))
        assert wall.shape == (*SIZE, 1)
        assert 0.3 < wall.min() < 0.97
        assert wall.max() <= 1
        assert (both <= wall).all()
        assert np.array_equal(both[:60], wall[:60])
        assert not np.array_equal(both, wall)
    assert (shadow(np.zeros_like(alpha), 60.0, np.random.default_rng(1)) == 1).all()
