"""A clip's screen remembered: drift is followed, and nobody becomes screen by standing still."""

from __future__ import annotations

import pytest
import torch

from models.color import SRGB_8BIT
from models.field import fit
from models.keyer import Grade, Keyer
from models.running import Running
from models.screen import Hue
from tests.models.rendered import (
    BLUE,
    GREEN,
    SKIN,
    TEAL,
    colour,
    mean_error,
    person,
    rgb_planes,
    shown,
    uneven,
)
from tests.models.stages import bare_error, hot_spot, plain, solid


def keyer() -> Keyer:
    return Keyer(Grade.LIVE, clip=True)


@pytest.mark.parametrize("front", [SKIN, TEAL])
def test_who_stands_still_does_not_become_screen(front: tuple[float, float, float]) -> None:
    truth = shown(person(), colour(front), uneven(GREEN))
    planes, one = rgb_planes(truth.picture), keyer()
    first = one.cut(planes, SRGB_8BIT).alpha
    for _ in range(60):
        got = one.cut(planes, SRGB_8BIT).alpha
    assert float(solid(got, truth).min()) > 0.99
    assert mean_error(got, first) < 5e-4


def test_lamps_that_drift_are_followed() -> None:
    """Two stops down, and from cool to warm, over forty frames; a fixed screen would be lost."""
    one = keyer()
    for i in range(40):
        light = 2 ** (-2 * i / 39) * colour((1 + 0.004 * i, 1.0, 1 - 0.004 * i))
        truth = shown(person(shift=i / 2), colour(SKIN), plain() * light)
        got = one.cut(rgb_planes(truth.picture), SRGB_8BIT)
        assert got.screen_found
        assert mean_error(got.alpha, truth.alpha) < 0.003, i
        assert float(bare_error(got.alpha, truth).mean()) < 0.001, i


@pytest.mark.parametrize("stops", [-2.0, -1.0, 1.0])
def test_a_jump_of_exposure_is_followed_at_once(stops: float) -> None:
    one = keyer()
    truth = shown(person(), colour(SKIN), uneven(GREEN))
    one.cut(rgb_planes(truth.picture), SRGB_8BIT)
    after = shown(person(), colour(SKIN), uneven(GREEN) * 2**stops)
    got = one.cut(rgb_planes(after.picture), SRGB_8BIT).alpha
    assert mean_error(got, after.alpha) < 0.003


def test_another_screen_begins_anew() -> None:
    one = keyer()
    one.cut(rgb_planes(shown(person(), colour(SKIN), uneven(GREEN)).picture), SRGB_8BIT)
    blue = shown(person(), colour(SKIN), uneven(BLUE))
    got = one.cut(rgb_planes(blue.picture), SRGB_8BIT).alpha
    assert mean_error(got, blue.alpha) < 0.003


def test_what_was_seen_is_remembered_behind_a_subject() -> None:
    """A hot spot that somebody steps before: no spreading from around could know of it."""
    back = plain() * hot_spot(0.8)
    memory = Running()
    for shift in (70.0, 70.0, -72.0):
        frame = shown(person(shift), colour(SKIN), back).picture
        guess = memory.guess(Hue.GREEN, (frame.shape[-2], frame.shape[-1]))
        known = guess is not None
        found = fit(frame, colour(GREEN) if guess is None else guess, Hue.GREEN, known)
        memory.learn(found)
    alone = fit(frame, colour(GREEN), Hue.GREEN, from_plate=False)
    hidden = shown(person(-72.0), colour(SKIN), back).alpha > 0.99

    def gap(color: torch.Tensor) -> float:
        return float((color[:, 1:2] / back[:, 1:2]).log2().abs()[hidden].mean())

    assert gap(alone.color) > 0.08
    assert gap(found.color) < 0.5 * gap(alone.color)


def test_without_a_clip_each_frame_is_cut_by_itself() -> None:
    one, other = Keyer(Grade.LIVE), Keyer(Grade.LIVE)
    truth = shown(person(), colour(SKIN), plain() * hot_spot())
    one.cut(rgb_planes(shown(person(60.0), colour(SKIN), plain() * 0.7).picture), SRGB_8BIT)
    got = one.cut(rgb_planes(truth.picture), SRGB_8BIT)
    assert torch.equal(got.alpha, other.cut(rgb_planes(truth.picture), SRGB_8BIT).alpha)
