"""The Keyer: plates, turns, grades and settings."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest
import torch
from torch import Tensor

from models.color import SRGB_8BIT, Planes, turn
from models.errors import PosewallError, ShapeError
from models.keyer import Grade, Keyer, KeySettings
from models.pyramid import shrink
from models.resample import Placement
from models.transfer import Transfer, decode
from tests.models.cases import CASES
from tests.models.keying import GRADES, backdrop, cut, scene
from tests.models.rendered import (
    BLUE,
    GREEN,
    HEIGHT,
    RGB_16,
    SKIN,
    VIDEO_8,
    WIDTH,
    colour,
    mean_error,
    person,
    rgb_planes,
    shown,
    uneven,
    video_planes,
)

# --- the plate ------------------------------------------------------------------------------


@pytest.mark.parametrize("grade", GRADES)
def test_a_plate_that_fits_is_said_to_and_used(grade: Grade) -> None:
    truth = scene()
    # Light on the screen that no smooth fit could guess: stripes.
    stripes = 1 + 0.35 * torch.sin(torch.arange(WIDTH) / 4.0).view(1, 1, 1, WIDTH)
    truth = truth.over(truth.back * stripes)
    planes = rgb_planes(truth.picture)
    plain = cut(planes, grade=grade)
    keyer = Keyer(grade)
    keyer.set_plate(rgb_planes(truth.back), SRGB_8BIT)
    got = keyer.cut(planes, SRGB_8BIT)
    assert plain.plate_fits is None
    assert got.plate_fits is True
    # measured .001 with the plate, .003 without
    assert mean_error(got.alpha, truth.alpha) < 0.002
    assert mean_error(plain.alpha, truth.alpha) > 2 * mean_error(got.alpha, truth.alpha)


@pytest.mark.parametrize("grade", GRADES)
@pytest.mark.parametrize("exposure", [0.8, 1.0, 1.2])
def test_a_plate_exposed_a_little_otherwise_still_fits(grade: Grade, exposure: float) -> None:
    truth = scene()
    keyer = Keyer(grade)
    keyer.set_plate(rgb_planes(truth.back * exposure), SRGB_8BIT)
    got = keyer.cut(rgb_planes(truth.picture), SRGB_8BIT)
    assert got.plate_fits is True
    assert mean_error(got.alpha, truth.alpha) < 0.002


@pytest.mark.parametrize("grade", GRADES)
@pytest.mark.parametrize("wrong", ["blue", "grey", "black", "lit from the other side", "upside"])
def test_a_wrong_plate_is_said_and_changes_nothing(grade: Grade, wrong: str) -> None:
    truth = scene()
    slope = torch.linspace(0.2, 1.3, WIDTH).view(1, 1, 1, WIDTH)
    steep = colour(GREEN) * slope.flip(-1)
    truth = truth.over(steep.expand_as(truth.back))
    plate = {
        "blue": uneven(BLUE),
        "grey": colour((0.3, 0.3, 0.3)),
        "black": colour((0.0, 0.0, 0.0)),
        "lit from the other side": colour(GREEN) * slope,
        "upside": steep.flip(-1),
    }[wrong].expand_as(truth.back)
    planes = rgb_planes(truth.picture)
    plain = cut(planes, grade=grade)
    keyer = Keyer(grade)
    keyer.set_plate(rgb_planes(plate), SRGB_8BIT)
    got = keyer.cut(planes, SRGB_8BIT)
    assert got.plate_fits is False
    assert got.screen_found
    assert torch.equal(got.alpha, plain.alpha)
    assert torch.equal(got.fg, plain.fg)


def test_a_plate_of_another_size_is_refused_in_a_sentence() -> None:
    keyer = Keyer()
    keyer.set_plate(rgb_planes(uneven(GREEN)[..., :100, :200]), SRGB_8BIT)
    planes = rgb_planes(scene().picture)
    with pytest.raises(ShapeError) as caught:
        keyer.cut(planes, SRGB_8BIT)
    message = str(caught.value)
    assert "200x100" in message
    assert "240x160" in message
    assert "take a new plate" in message
    assert "\n" not in message
    with pytest.raises(ShapeError, match="clean plate"):
        keyer.composite(planes, SRGB_8BIT, 0, backdrop(20, 30), Placement(0.1, 0, 0))
    # Turned to stand upright it has another size, too.
    keyer.set_plate(rgb_planes(uneven(GREEN)), SRGB_8BIT, quarter_turns=1)
    with pytest.raises(ShapeError, match="160x240"):
        keyer.cut(planes, SRGB_8BIT)


def test_a_plate_dropped_is_forgotten_and_a_new_one_replaces_it() -> None:
    truth = scene()
    planes = rgb_planes(truth.picture)
    keyer = Keyer()
    keyer.set_plate(rgb_planes(uneven(BLUE)), SRGB_8BIT)
    assert keyer.cut(planes, SRGB_8BIT).plate_fits is False
    keyer.set_plate(rgb_planes(truth.back), SRGB_8BIT)
    assert keyer.cut(planes, SRGB_8BIT).plate_fits is True
    keyer.set_plate(None)
    got = keyer.cut(planes, SRGB_8BIT)
    assert got.plate_fits is None
    assert torch.equal(got.alpha, cut(planes).alpha)


def test_a_plate_may_come_in_other_planes_than_the_frame() -> None:
    truth = scene()
    keyer = Keyer()
    keyer.set_plate(rgb_planes(truth.back, RGB_16), RGB_16)
    assert keyer.cut(video_planes(truth.picture), VIDEO_8).plate_fits is True


def test_a_turned_plate_serves_a_turned_frame() -> None:
    truth = scene()
    keyer = Keyer()
    upright = keyer
    upright.set_plate(rgb_planes(truth.back), SRGB_8BIT)
    want = upright.cut(rgb_planes(truth.picture), SRGB_8BIT)
    keyer = Keyer()
    keyer.set_plate(rgb_planes(turn(truth.back, 3)), SRGB_8BIT, quarter_turns=1)
    got = keyer.cut(rgb_planes(turn(truth.picture, 1)), SRGB_8BIT, quarter_turns=3)
    assert got.plate_fits is True
    torch.testing.assert_close(got.alpha, want.alpha, atol=1e-4, rtol=0)


# --- turns, grades, settings ----------------------------------------------------------------


@pytest.mark.parametrize("grade", GRADES)
@pytest.mark.parametrize("turns", [1, 2, 3, 4])
def test_the_cut_of_a_turned_frame_is_the_turned_cut(turns: int, grade: Grade) -> None:
    truth = scene()
    want = cut(rgb_planes(truth.picture), grade=grade)
    lying = rgb_planes(turn(truth.picture, -turns % 4))
    got = Keyer(grade).cut(lying, SRGB_8BIT, turns)
    assert got.alpha.shape == (1, 1, HEIGHT, WIDTH)
    torch.testing.assert_close(got.alpha, want.alpha, atol=1e-4, rtol=0)
    torch.testing.assert_close(got.fg, want.fg, atol=1e-4, rtol=0)


@pytest.mark.parametrize("turns", [1, 2, 3])
def test_the_cut_of_planes_turned_by_us_is_the_turned_cut(turns: int) -> None:
    """The same planes upright or not: spreading sees another raster, so not to the last bit."""
    truth = scene()
    planes = rgb_planes(truth.picture)
    want = cut(planes)
    got = Keyer().cut(planes, SRGB_8BIT, turns)
    assert got.alpha.shape == turn(want.alpha, turns).shape
    # The network knows up from down: measured .0007 in the mean.
    assert mean_error(got.alpha, turn(want.alpha, turns)) < 0.001


def test_live_and_final_are_one_keyer() -> None:
    for name in ("grey", "skin", "hair", "shadow", "80 % of the frame"):
        case = CASES[name]()
        live, final = (cut(case.planes, case.encoding, g) for g in GRADES)
        # measured .0018 at most
        assert mean_error(live.alpha, final.alpha) < 0.0022, name
        assert mean_error(live.fg * live.alpha, final.fg * final.alpha) < 0.001, name


@pytest.mark.parametrize("grade", GRADES)
def test_the_same_frame_gives_the_same_cut(grade: Grade) -> None:
    case = CASES["noise"]()
    keyer = Keyer(grade)
    first = keyer.cut(case.planes, case.encoding)
    keyer.cut(CASES["blue-grey on blue"]().planes, SRGB_8BIT)
    again = keyer.cut(case.planes, case.encoding)
    other = cut(case.planes, case.encoding, grade)
    for one in (again, other):
        assert torch.equal(first.alpha, one.alpha)
        assert torch.equal(first.fg, one.fg)


@pytest.mark.parametrize("grade", GRADES)
@pytest.mark.parametrize("plate", [False, True])
def test_planes_stay_as_they_were(grade: Grade, plate: bool) -> None:
    truth = scene()
    for code, encoding in ((rgb_planes, SRGB_8BIT), (video_planes, VIDEO_8), (rgb_planes, RGB_16)):
        planes, bare = code(truth.picture, encoding), code(truth.back, encoding)
        kept = [p.clone() for p in (*planes, *bare)]
        there = backdrop(120, 200)
        below = there.below.clone()
        keyer = Keyer(grade)
        if plate:
            keyer.set_plate(bare, encoding)
        found = keyer.cut(planes, encoding)
        found.alpha.zero_()
        found.fg.zero_()
        for scale in (0.7, 1.0, 1.3):
            keyer.composite(planes, encoding, 0, there, Placement(scale, 3, -4, True))
        assert all(torch.equal(a, b) for a, b in zip((*planes, *bare), kept, strict=True))
        assert torch.equal(there.below, below)


def test_the_screen_that_is_asked_for_is_taken() -> None:
    """Green clothes before a blue screen, which fill more of the frame than the screen."""
    dress = shown(person(scale=1.1), colour((0.04, 0.30, 0.06)), uneven(BLUE))
    planes = rgb_planes(dress.picture)
    blue = Keyer(settings=KeySettings(screen="blue")).cut(planes, SRGB_8BIT)
    assert mean_error(blue.alpha, dress.alpha) < 0.01
    green = Keyer(settings=KeySettings(screen="green")).cut(planes, SRGB_8BIT)
    assert mean_error(green.alpha, 1 - dress.alpha) < 0.05


def test_despill_can_be_left_out() -> None:
    case = CASES["spill"]()
    without = Keyer(settings=KeySettings(despill=0.0)).cut(case.planes, case.encoding)
    with_it = Keyer().cut(case.planes, case.encoding)
    assert torch.equal(without.alpha, with_it.alpha)
    given = decode_rgb(case.planes)
    inside = (shrink(case.truth.alpha, 4) > 0.999).expand_as(given)
    torch.testing.assert_close(without.fg[inside], given[inside], atol=1e-6, rtol=0)
    assert mean_error(with_it.fg[..., 60:, :], without.fg[..., 60:, :]) > 1e-3


def decode_rgb(planes: Planes) -> Tensor:
    return decode(torch.stack(planes)[None].float() / 255, Transfer.SRGB)


def test_a_high_black_and_a_low_white_are_taken_as_they_are() -> None:
    """Noise raises black by itself to a fifth at the most; what a person sets stands."""
    case = CASES["noise"]()
    plain = Keyer(settings=KeySettings(black_point=0.0, white_point=1.0))
    alpha = plain.cut(case.planes, case.encoding).alpha
    high = Keyer(settings=KeySettings(black_point=0.6, white_point=0.9))
    got = high.cut(case.planes, case.encoding).alpha
    assert float(got[alpha < 0.45].max()) == 0
    low = Keyer(settings=KeySettings(black_point=0.0, white_point=0.01))
    got = low.cut(case.planes, case.encoding).alpha
    assert float(got[alpha > 0.2].min()) == 1
    assert mean_error(got, case.truth.alpha) < 0.02


def test_clips_clip() -> None:
    case = CASES["hair"]()
    wide = Keyer(settings=KeySettings(black_point=0.0, white_point=1.0)).cut(
        case.planes, case.encoding
    )
    narrow = Keyer(settings=KeySettings(black_point=0.3, white_point=0.7)).cut(
        case.planes, case.encoding
    )
    assert float(narrow.alpha[wide.alpha < 0.28].max()) == 0
    assert float(narrow.alpha[wide.alpha > 0.72].min()) == 1
    assert 0.3 < float(narrow.alpha[(wide.alpha - 0.5).abs() < 0.02].mean()) < 0.7


@pytest.mark.parametrize(
    ("settings", "match"),
    [
        ({"screen": "red"}, 'screen is "red"; it must be auto, green or blue'),
        ({"black_point": -0.1}, "between 0 and 1"),
        ({"black_point": 0.5, "white_point": 0.5}, "black below white"),
        ({"white_point": 1.2}, "white_point 1.2"),
        ({"despill": 1.5}, "despill 1.5"),
        ({"despill": float("nan")}, "despill nan"),
        ({"despill": "much"}, "despill is 'much'; it must be a number"),
        ({"black_point": True}, "black_point is True; it must be a number"),
    ],
)
def test_settings_that_cannot_be_are_said(settings: dict[str, object], match: str) -> None:
    with pytest.raises(PosewallError, match=match):
        KeySettings(**settings)  # type: ignore[arg-type]
    with pytest.raises(PosewallError, match=match):
        KeySettings.from_json(settings)


def test_settings_return_from_json() -> None:
    settings = KeySettings("blue", 0.05, 0.9, 0.5)
    assert KeySettings.from_json(json.loads(json.dumps(settings.to_json()))) == settings
    assert KeySettings.from_json({}) == KeySettings()
    assert KeySettings.from_json({"despill": 0.25}) == replace(KeySettings(), despill=0.25)
    with pytest.raises(PosewallError, match=r"got tolerance; known are black_point, choke"):
        KeySettings.from_json({"tolerance": 3})


@pytest.mark.parametrize("grade", GRADES)
def test_somebody_in_the_plate_is_noticed_and_does_no_harm(grade: Grade) -> None:
    truth = scene()
    keyer = Keyer(grade)
    alone = keyer.cut(rgb_planes(truth.picture), SRGB_8BIT)
    elsewhere = shown(person(-40.0), colour(SKIN), truth.back)
    keyer.set_plate(rgb_planes(elsewhere.picture), SRGB_8BIT)
    with_it = keyer.cut(rgb_planes(truth.picture), SRGB_8BIT)
    assert with_it.plate_fits is True
    assert mean_error(with_it.alpha, alone.alpha) < 0.002
    covered = float((elsewhere.alpha > 0.2).float().mean())
    assert keyer.occupied(rgb_planes(elsewhere.picture), SRGB_8BIT) == pytest.approx(
        covered, abs=0.03
    )
    assert keyer.occupied(rgb_planes(truth.back), SRGB_8BIT) < 0.002
    assert keyer.occupied(rgb_planes(torch.full_like(truth.back, 0.3)), SRGB_8BIT) == 1.0
