"""Finding the screen, fitting it to the frame, and telling a plate that is of another screen."""

from __future__ import annotations

import math

import pytest
import torch
from torch import Tensor

from models import field, plate, screen
from models.pyramid import grow
from models.screen import Hue, color_difference, saturation
from tests.models.cases import large
from tests.models.rendered import (
    BLUE,
    BLUE_GREY,
    GREEN,
    GREY,
    HEIGHT,
    SKIN,
    WIDTH,
    Shown,
    colour,
    ellipse,
    person,
    pooled,
    shown,
    uneven,
)


def scene(back: tuple[float, float, float] = GREEN) -> Shown:
    return shown(person(), colour(SKIN), uneven(back))


def test_color_difference_by_hand() -> None:
    rgb = torch.tensor([[0.1, 0.7, 0.2], [0.5, 0.5, 0.5], [0.6, 0.3, 0.2]]).T[None]
    green, blue = color_difference(rgb, Hue.GREEN), color_difference(rgb, Hue.BLUE)
    torch.testing.assert_close(green.flatten(), torch.tensor([0.5, 0.0, -0.3]))
    torch.testing.assert_close(blue.flatten(), torch.tensor([-0.5, 0.0, -0.4]))


def test_a_shadow_keeps_the_saturation_and_a_mixed_in_subject_does_not() -> None:
    bare = colour(GREEN)
    half = saturation(bare * 0.5, Hue.GREEN) / saturation(bare, Hue.GREEN)
    mixed = saturation((bare + colour(GREY)) * 0.5, Hue.GREEN) / saturation(bare, Hue.GREEN)
    assert float(half) == pytest.approx(1, abs=0.02)
    assert float(mixed) < 0.6


@pytest.mark.parametrize(("back", "hue"), [(GREEN, Hue.GREEN), (BLUE, Hue.BLUE)])
@pytest.mark.parametrize("light", [0.15, 0.5, 1.0, 2.0])
def test_the_hue_and_colour_are_found(
    back: tuple[float, float, float], hue: Hue, light: float
) -> None:
    found = screen.find((scene(back).picture * light).clamp(0, 1))
    assert found is not None
    assert found[0] is hue
    want = (colour(back) * light).clamp(0, 1)
    assert float((found[1] / want - 1).abs().max()) < 0.12


def test_the_screen_is_found_beside_a_subject_that_fills_the_frame() -> None:
    found = screen.find(shown(large(), colour(SKIN), uneven(GREEN)).picture)
    assert found is not None
    assert found[0] is Hue.GREEN


def test_blue_clothes_on_green_are_not_the_screen() -> None:
    denim = shown(person(), colour((0.08, 0.12, 0.30)), uneven(GREEN))
    found = screen.find(denim.picture)
    assert found is not None
    assert found[0] is Hue.GREEN
    wanted = screen.find(denim.picture, Hue.BLUE)
    assert wanted is not None
    assert wanted[0] is Hue.BLUE


@pytest.mark.parametrize("front", [GREY, SKIN, (0, 0, 0), (1, 1, 1), BLUE_GREY])
def test_no_screen_is_found_where_none_is(front: tuple[float, float, float]) -> None:
    frame = colour(front).expand(1, 3, HEIGHT, WIDTH)
    if front is BLUE_GREY:
        assert screen.find(frame, Hue.GREEN) is None
    else:
        assert screen.find(frame) is None
        assert screen.find(frame, Hue.BLUE) is None


def gap(got: Tensor, want: Tensor) -> Tensor:
    """Stops, as photographers count light: the screen's channel."""
    return (got[:, 1:2] / want[:, 1:2]).clamp_min(1e-6).log2().abs()


@pytest.mark.parametrize("from_plate", [False, True])
def test_the_fit_follows_an_uneven_screen_also_behind_the_subject(from_plate: bool) -> None:
    truth = scene()
    guess = truth.back * 0.9 if from_plate else colour(GREEN)
    fitted = field.fit(truth.picture, guess, Hue.GREEN, from_plate)
    assert fitted.color.shape == truth.picture.shape
    # measured .001 mean and .01 at most over bare screen, .02 behind the subject
    off = gap(fitted.color, truth.back)
    bare = truth.alpha < 0.001
    assert float(off[bare].mean()) < 0.005
    assert float(off[bare].max()) < 0.03
    assert float(off.mean()) < 0.02
    assert float(off.max()) < 0.1


@pytest.mark.parametrize("from_plate", [False, True])
def test_what_is_sure_shows_no_subject(from_plate: bool) -> None:
    truth = scene()
    guess = truth.back if from_plate else colour(GREEN)
    fitted = field.fit(truth.picture, guess, Hue.GREEN, from_plate)
    assert float(fitted.sure[truth.alpha > 0.001].max()) == 0
    far = grow(truth.alpha, 9) < 0.001
    assert float(fitted.sure[far].mean()) > 0.95


@pytest.mark.parametrize("from_plate", [False, True])
def test_a_soft_shadow_is_screen(from_plate: bool) -> None:
    lit = uneven(GREEN)
    shade = 1 - 0.6 * pooled(ellipse(80, 120, 55, 90, 40.0))
    guess = lit if from_plate else colour(GREEN)
    fitted = field.fit(lit * shade, guess, Hue.GREEN, from_plate)
    off = gap(fitted.color, lit * shade)
    # measured .01 and .1: the fit's squares of eight pixels are coarser than the shadow's edge
    assert float(off.mean()) < 0.03
    assert float(off.max()) < 0.25
    # Without a fit the shadow would be 1.3 stops off.
    assert float(gap(lit, lit * shade).max()) > 1.2


def test_a_subject_alone_leaves_the_guess() -> None:
    frame = colour(SKIN).expand(1, 3, HEIGHT, WIDTH)
    fitted = field.fit(frame, colour(GREEN), Hue.GREEN, from_plate=False)
    assert torch.equal(fitted.color, colour(GREEN).expand_as(frame))
    assert float(fitted.sure.max()) == 0


def test_a_corner_of_screen_is_enough_for_the_whole_field() -> None:
    """Where most of the frame is subject the field behind it stays the screen's, not black."""
    cover = torch.ones(1, 1, HEIGHT, WIDTH)
    cover[..., :40, :60] = 0
    back = colour(GREEN).expand(1, 3, HEIGHT, WIDTH)
    frame = cover * colour(SKIN) + (1 - cover) * back
    fitted = field.fit(frame, colour(GREEN) * 1.2, Hue.GREEN, from_plate=False)
    assert float(gap(fitted.color, back).max()) < 0.05


def test_misfit_is_small_for_this_screen() -> None:
    truth = scene()
    assert plate.plate_misfit(truth.picture, truth.back, Hue.GREEN) < 0.02
    # One common gain is the exposure and no fault.
    assert plate.plate_misfit(truth.picture, truth.back * 0.6, Hue.GREEN) < 0.02


def test_misfit_is_large_for_another_screen() -> None:
    truth = scene()
    turned = uneven(GREEN) * (0.25 + 0.75 * torch.linspace(0, 1, WIDTH).view(1, 1, 1, WIDTH))
    for other in (uneven(BLUE), turned, colour(GREY).expand_as(truth.back), truth.back * 0):
        assert plate.plate_misfit(truth.picture, other.contiguous(), Hue.GREEN) > 0.35


def test_misfit_counts_stops() -> None:
    """Half of the screen a stop brighter: half a stop from the middle on either side."""
    back = colour(GREEN).expand(1, 3, HEIGHT, WIDTH)
    split = torch.ones(1, 1, HEIGHT, WIDTH)
    split[..., : WIDTH // 2 - 8] = 2**-1.0
    got = plate.plate_misfit(back, back * split, Hue.GREEN)
    # Half of the squares lie at the middle value and half a stop away: the middle of 0 and 1.
    assert 0 <= got <= 1
    third = torch.ones(1, 1, HEIGHT, WIDTH)
    for i, stops in enumerate((-1.0, 0.0, 1.0)):
        third[..., i * 80 : (i + 1) * 80] = math.exp2(stops)
    assert plate.plate_misfit(back, back * third, Hue.GREEN) == pytest.approx(1, abs=0.05)


def test_inputs_stay_as_they_were() -> None:
    truth = scene()
    rgb, back = truth.picture, truth.back.clone()
    before = rgb.clone(), back.clone()
    screen.find(rgb)
    field.fit(rgb, back, Hue.GREEN, from_plate=True)
    plate.plate_misfit(rgb, back, Hue.GREEN)
    assert torch.equal(rgb, before[0])
    assert torch.equal(back, before[1])
