"""The Keyer as stream uses it: plates, turns, places, grades, settings, odd frames, devices."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest
import torch
from torch import Tensor

from models.color import SRGB_8BIT, Encoding, Matrix, Planes, Range, Siting, rgb_to_planes, turn
from models.composite import Overlay, Scene
from models.errors import PosewallError, ShapeError
from models.keyer import Composite, Cut, Grade, Keyer, KeySettings
from models.pyramid import shrink
from models.resample import Placement, resize
from models.transfer import Transfer, decode, encode
from tests.models.cases import CASES
from tests.models.rendered import (
    BLUE,
    GREEN,
    HEIGHT,
    RGB_16,
    SKIN,
    VIDEO_8,
    WIDTH,
    Shown,
    colour,
    mean_error,
    person,
    rgb_planes,
    shown,
    uneven,
    video_planes,
)

GRADES = list(Grade)


def scene(shift: float = 13.0) -> Shown:
    """Not symmetric, so that a turn or a mirror the wrong way shows."""
    return shown(person(shift), colour(SKIN), uneven(GREEN))


def backdrop(height: int, width: int) -> Scene:
    below = torch.rand(1, 3, height, width, generator=torch.Generator().manual_seed(11))
    return Scene(below)


def cut(planes: Planes, encoding: Encoding = SRGB_8BIT, grade: Grade = Grade.FINAL) -> Cut:
    return Keyer(grade).cut(planes, encoding)


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
    # measured .002 with the plate, .06 without
    assert mean_error(got.alpha, truth.alpha) < 0.004
    assert mean_error(plain.alpha, truth.alpha) > 5 * mean_error(got.alpha, truth.alpha)


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
    # measured 2e-5 mean, .03 at one pixel
    assert mean_error(got.alpha, turn(want.alpha, turns)) < 2e-4
    assert float((got.alpha - turn(want.alpha, turns)).abs().max()) < 0.06


def test_live_and_final_are_one_keyer() -> None:
    for name in ("grey", "skin", "hair", "shadow", "80 % of the frame"):
        case = CASES[name]()
        live, final = (cut(case.planes, case.encoding, g) for g in GRADES)
        # measured .0005 at most
        assert mean_error(live.alpha, final.alpha) < 0.001, name
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
    plain = Keyer(settings=KeySettings(clip_black=0.0, clip_white=1.0))
    alpha = plain.cut(case.planes, case.encoding).alpha
    high = Keyer(settings=KeySettings(clip_black=0.6, clip_white=0.9))
    got = high.cut(case.planes, case.encoding).alpha
    assert float(got[alpha < 0.45].max()) == 0
    low = Keyer(settings=KeySettings(clip_black=0.0, clip_white=0.01))
    got = low.cut(case.planes, case.encoding).alpha
    assert float(got[alpha > 0.2].min()) == 1
    assert mean_error(got, case.truth.alpha) < 0.02


def test_clips_clip() -> None:
    case = CASES["hair"]()
    wide = Keyer(settings=KeySettings(clip_black=0.0, clip_white=1.0)).cut(
        case.planes, case.encoding
    )
    narrow = Keyer(settings=KeySettings(clip_black=0.3, clip_white=0.7)).cut(
        case.planes, case.encoding
    )
    assert float(narrow.alpha[wide.alpha < 0.28].max()) == 0
    assert float(narrow.alpha[wide.alpha > 0.72].min()) == 1
    assert 0.3 < float(narrow.alpha[(wide.alpha - 0.5).abs() < 0.02].mean()) < 0.7


@pytest.mark.parametrize(
    ("settings", "match"),
    [
        ({"screen": "red"}, 'screen is "red"; it must be auto, green or blue'),
        ({"clip_black": -0.1}, "between 0 and 1"),
        ({"clip_black": 0.5, "clip_white": 0.5}, "black below white"),
        ({"clip_white": 1.2}, "clip_white 1.2"),
        ({"despill": 1.5}, "despill 1.5"),
        ({"despill": float("nan")}, "despill nan"),
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
    with pytest.raises(PosewallError, match=r"got tolerance; known are clip_black"):
        KeySettings.from_json({"tolerance": 3})


# --- composite ------------------------------------------------------------------------------


def by_hand(found: Cut, below: Tensor, dx: int, dy: int, mirror: bool) -> tuple[Tensor, Tensor]:
    """The cut laid over a backdrop at scale 1, pixel by pixel: codes and alpha."""
    alpha, fg = found.alpha, found.fg
    if mirror:
        alpha, fg = alpha.flip(-1), fg.flip(-1)
    out, coverage = below.clone(), torch.zeros_like(below[:, :1])
    height, width = below.shape[-2:]
    top, left = max(dy, 0), max(dx, 0)
    bottom, right = min(dy + alpha.shape[-2], height), min(dx + alpha.shape[-1], width)
    there = (Ellipsis, slice(top, bottom), slice(left, right))
    here = (Ellipsis, slice(top - dy, bottom - dy), slice(left - dx, right - dx))
    out[there] = fg[here] * alpha[here] + (1 - alpha[here]) * below[there]
    coverage[there] = alpha[here]
    return encode(out, Transfer.SRGB)[0].permute(1, 2, 0) * 255, coverage


@pytest.mark.parametrize("grade", GRADES)
@pytest.mark.parametrize("mirror", [False, True])
@pytest.mark.parametrize(("dx", "dy"), [(0, 0), (-60, -31), (15, 9), (-100, 20)])
def test_a_window_at_scale_one_is_that_of_the_whole_cut(
    dx: int, dy: int, mirror: bool, grade: Grade
) -> None:
    planes = rgb_planes(scene().picture)
    there = backdrop(97, 131)
    got = Keyer(grade).composite(planes, SRGB_8BIT, 0, there, Placement(1.0, dx, dy, mirror))
    want, alpha = by_hand(cut(planes, grade=grade), there.below, dx, dy, mirror)
    assert got.picture.shape == (97, 131, 3)
    assert got.picture.dtype is torch.uint8
    torch.testing.assert_close(got.alpha, alpha, atol=1e-5, rtol=0)
    assert float((got.picture - want).abs().max()) <= 0.51


@pytest.mark.parametrize("mirror", [False, True])
def test_a_window_of_420_planes_is_that_of_the_whole_cut(mirror: bool) -> None:
    planes = video_planes(scene().picture)
    there = backdrop(90, 121)
    for dx, dy in ((-33, -17), (-60, -51)):
        got = Keyer().composite(planes, VIDEO_8, 0, there, Placement(1.0, dx, dy, mirror))
        _, alpha = by_hand(Keyer().cut(planes, VIDEO_8), there.below, dx, dy, mirror)
        torch.testing.assert_close(got.alpha, alpha, atol=1e-5, rtol=0)


@pytest.mark.parametrize("mirror", [False, True])
def test_black_level_from_a_window_is_near_that_of_the_whole(mirror: bool) -> None:
    """With noise a window takes its black level from what it sees; measured .003 apart."""
    case = CASES["noise"]()
    there = backdrop(100, 120)
    got = Keyer().composite(case.planes, SRGB_8BIT, 0, there, Placement(1.0, -50, -40, mirror))
    _, alpha = by_hand(cut(case.planes), there.below, -50, -40, mirror)
    assert float((got.alpha - alpha).abs().max()) < 0.05


@pytest.mark.parametrize("turns", range(4))
def test_a_turned_frame_in_a_picture(turns: int) -> None:
    truth = scene()
    lying = rgb_planes(turn(truth.picture, -turns % 4))
    there = backdrop(140, 200)
    placement = Placement(1.0, -21, -8, True)
    want = Keyer().composite(rgb_planes(truth.picture), SRGB_8BIT, 0, there, placement)
    got = Keyer().composite(lying, SRGB_8BIT, turns, there, placement)
    torch.testing.assert_close(got.alpha, want.alpha, atol=1e-4, rtol=0)
    assert int((got.picture.int() - want.picture.int()).abs().max()) <= 1


@pytest.mark.parametrize("grade", GRADES)
@pytest.mark.parametrize("mirror", [False, True])
@pytest.mark.parametrize("scale", [0.25, 0.5, 0.625, 1.5, 2.0])
def test_scaled_alpha_lies_on_the_truth(scale: float, mirror: bool, grade: Grade) -> None:
    truth = scene()
    size = (round(HEIGHT * scale), round(WIDTH * scale))
    got = Keyer(grade).composite(
        rgb_planes(truth.picture), SRGB_8BIT, 0, backdrop(*size), Placement(scale, 0, 0, mirror)
    )
    want = resize(truth.alpha, size)
    error = mean_error(got.alpha, want.flip(-1) if mirror else want)
    # measured .0011 enlarged to .0046 at a quarter, where a fourth of the pixels is edge
    assert error < (0.002 if scale > 1 else 0.0018 / scale)
    # The other way round it is another picture.
    assert mean_error(got.alpha, want if mirror else want.flip(-1)) > 0.05


def middle(alpha: Tensor) -> tuple[float, float]:
    """Where a subject stands: the middle of its coverage, x and y in pixels."""
    across = torch.arange(alpha.shape[-1]) + 0.5
    down = torch.arange(alpha.shape[-2]).view(-1, 1) + 0.5
    plain = alpha[0, 0]
    return float((plain * across).sum() / plain.sum()), float((plain * down).sum() / plain.sum())


@pytest.mark.parametrize("scale", [0.25, 0.5, 0.625, 0.75, 1.5, 2.0])
def test_a_subject_that_moves_does_not_jump(scale: float) -> None:
    """Where it lands may not hang on what else of the frame is worked on: it would jitter."""
    size = (round(HEIGHT * scale), round(WIDTH * scale))
    keyer, there = Keyer(Grade.LIVE), backdrop(*size)
    for shift in (0.0, 3.0, 7.0, 10.0, 13.0):
        truth = scene(shift)
        got = keyer.composite(
            rgb_planes(truth.picture), SRGB_8BIT, 0, there, Placement(scale, 0, 0)
        )
        want = middle(resize(truth.alpha, size))
        for has, wants in zip(middle(got.alpha), want, strict=True):
            # measured .07 of a pixel at a quarter to .16 at twice, the same for every shift
            assert abs(has - wants) < 0.08 + 0.05 * scale, (shift, has - wants)


@pytest.mark.parametrize("grade", GRADES)
@pytest.mark.parametrize("scale", [0.5, 0.75, 1.5])
@pytest.mark.parametrize("mirror", [False, True])
def test_a_scaled_window_is_that_of_the_whole(scale: float, mirror: bool, grade: Grade) -> None:
    """The frame half outside the picture shows what the whole would, to a pixel's rounding."""
    planes = rgb_planes(scene().picture)
    size = (round(HEIGHT * scale), round(WIDTH * scale))
    keyer = Keyer(grade)
    whole = keyer.composite(
        planes, SRGB_8BIT, 0, backdrop(*size), Placement(scale, 0, 0, mirror)
    ).alpha
    dx, dy = -(size[1] // 4), -(size[0] // 5)
    part = keyer.composite(
        planes, SRGB_8BIT, 0, backdrop(size[0] // 2, size[1] // 2), Placement(scale, dx, dy, mirror)
    ).alpha
    want = whole[..., -dy : -dy + size[0] // 2, -dx : -dx + size[1] // 2]
    # A window may lie half a pixel aside: its edges are rounded by themselves. measured .0065
    assert mean_error(part, want) < 0.008


def test_nothing_of_the_frame_shows() -> None:
    there = backdrop(40, 50)
    for scale in (0.5, 1.0, 2.0):
        got = Keyer().composite(
            rgb_planes(scene().picture), SRGB_8BIT, 0, there, Placement(scale, 900, 0)
        )
        assert float(got.alpha.max()) == 0
        want = encode(there.below, Transfer.SRGB)[0].permute(1, 2, 0) * 255
        assert float((got.picture - want).abs().max()) <= 0.51


def test_overlays_lie_above_the_subject() -> None:
    planes = rgb_planes(scene().picture)
    ones = torch.ones(1, 3, 60, 80)
    cover = torch.zeros(1, 1, 60, 80)
    cover[..., 30:, :] = 1
    red = Overlay(rgb_enc=ones * torch.tensor([1.0, 0, 0]).view(1, 3, 1, 1), alpha=cover)
    plain = backdrop(60, 80)
    placement = Placement(0.4, 0, 0)
    got = Keyer().composite(planes, SRGB_8BIT, 0, Scene(plain.below, (red,)), placement)
    without = Keyer().composite(planes, SRGB_8BIT, 0, plain, placement)
    assert torch.equal(got.picture[:30], without.picture[:30])
    assert bool((got.picture[30:] == torch.tensor([255, 0, 0])).all())
    assert torch.equal(got.alpha, without.alpha)


def test_a_grey_half_mix_is_mixed_in_linear_light() -> None:
    """IEC 61966-2-1: half of white over black is code 188, where encoded mixing gives 128."""
    alpha = torch.full((1, 1, 8, 8), 0.5)
    truth = Shown(alpha, alpha.expand(1, 3, 8, 8), torch.zeros(1, 3, 8, 8))
    planes = rgb_planes(truth.picture)
    assert int(planes[0][0, 0]) == 188
    got = Keyer().composite(planes, SRGB_8BIT, 0, backdrop(8, 8), Placement(1.0, 0, 0))
    assert not got.screen_found
    assert set(got.picture.flatten().tolist()) == {188}


# --- frames of every kind -------------------------------------------------------------------


@pytest.mark.parametrize("grade", GRADES)
@pytest.mark.parametrize("plate", [False, True])
@pytest.mark.parametrize("noise", [0.0, 3.0])
@pytest.mark.parametrize("base", [GREEN, BLUE])
def test_no_subject_at_all(
    base: tuple[float, float, float], noise: float, plate: bool, grade: Grade
) -> None:
    bare = uneven(base)
    grain = torch.randn(bare.shape, generator=torch.Generator().manual_seed(5)) * noise / 255
    planes = rgb_to_planes(encode(bare, Transfer.SRGB) + grain, SRGB_8BIT)
    keyer = Keyer(grade)
    if plate:
        keyer.set_plate(rgb_planes(bare), SRGB_8BIT)
    got = keyer.cut(planes, SRGB_8BIT)
    assert got.screen_found
    assert float(got.alpha.mean()) < 1e-3
    assert float(got.alpha.max()) < (0.1 if noise else 1e-6)


@pytest.mark.parametrize("grade", GRADES)
def test_nothing_but_subject(grade: Grade) -> None:
    shade = 0.6 + 0.4 * torch.rand(1, 1, HEIGHT, WIDTH, generator=torch.Generator().manual_seed(5))
    frame = colour(SKIN) * shade
    planes = rgb_planes(frame)
    keyer = Keyer(grade)
    keyer.set_plate(rgb_planes(uneven(GREEN)), SRGB_8BIT)
    got = keyer.cut(planes, SRGB_8BIT)
    assert not got.screen_found
    assert got.plate_fits is None
    assert torch.equal(got.alpha, torch.ones(1, 1, HEIGHT, WIDTH))
    torch.testing.assert_close(got.fg, decode_rgb(planes), atol=1e-6, rtol=0)


@pytest.mark.parametrize("level", [0.0, 0.5, 1.0])
@pytest.mark.parametrize("grade", GRADES)
def test_frames_of_one_grey_are_kept_whole(level: float, grade: Grade) -> None:
    frame = torch.full((1, 3, 48, 64), level)
    for encoding, code in ((SRGB_8BIT, rgb_planes), (VIDEO_8, video_planes)):
        got = Keyer(grade).cut(code(frame, encoding), encoding)
        assert not got.screen_found
        assert float(got.alpha.min()) == 1
        torch.testing.assert_close(got.fg, frame, atol=0.006, rtol=0)


@pytest.mark.parametrize("base", [GREEN, BLUE, (0.0, 1.0, 0.0), (0.0, 0.0, 1.0)])
@pytest.mark.parametrize("grade", GRADES)
def test_frames_of_one_screen_colour_are_cut_away(
    base: tuple[float, float, float], grade: Grade
) -> None:
    got = Keyer(grade).cut(rgb_planes(colour(base).expand(1, 3, 48, 64)), SRGB_8BIT)
    assert got.screen_found
    assert float(got.alpha.max()) == 0


def whole(found: Cut | Composite) -> bool:
    """Finite, and alpha and colour where they belong."""
    alpha = found.alpha
    inside = (
        bool(torch.isfinite(alpha).all()) and 0 <= float(alpha.min()) <= float(alpha.max()) <= 1
    )
    if isinstance(found, Cut):
        fg = found.fg
        return inside and bool(torch.isfinite(fg).all()) and 0 <= float(fg.min()) <= float(fg.max())
    return inside


@pytest.mark.parametrize("grade", GRADES)
@pytest.mark.parametrize("size", [(1, 1), (2, 2), (3, 5), (5, 3), (1, 40), (33, 1), (31, 47)])
@pytest.mark.parametrize("chroma", ["420", "422", "444", "rgb"])
def test_small_and_odd_frames(size: tuple[int, int], chroma: str, grade: Grade) -> None:
    made = torch.Generator().manual_seed(1)
    for kind in ("noise", "green", "half"):
        frame = torch.rand(1, 3, *size, generator=made)
        if kind == "green":
            frame = colour(GREEN).expand(1, 3, *size)
        if kind == "half":
            frame = colour(GREEN).expand(1, 3, *size).clone()
            frame[..., size[0] // 2 :, :] = colour(SKIN)
        if chroma == "rgb":
            planes, encoding = rgb_planes(frame), SRGB_8BIT
        else:
            planes, encoding = video_planes(frame, VIDEO_8, chroma), VIDEO_8
        keyer = Keyer(grade)
        keyer.set_plate(planes, encoding)
        for turns in (0, 1):
            keyer.set_plate(planes, encoding, turns)
            found = keyer.cut(planes, encoding, turns)
            assert found.alpha.shape[-2:] == (size if turns == 0 else size[::-1])
            assert whole(found)
            for scale in (0.3, 1.0, 2.5):
                picture = keyer.composite(
                    planes, encoding, turns, backdrop(7, 6), Placement(scale, 1, -1, True)
                )
                assert whole(picture)


@pytest.mark.parametrize(
    "encoding",
    [
        Encoding(Matrix.BT709, Range.NARROW, Transfer.BT709, Siting.LEFT, 10),
        Encoding(Matrix.BT601, Range.FULL, Transfer.SRGB, Siting.CENTER, 8),
        Encoding(Matrix.BT2020, Range.NARROW, Transfer.BT709, Siting.TOP_LEFT, 10),
        Encoding(Matrix.BT709, Range.NARROW, Transfer.BT709, Siting.LEFT, 12),
        Encoding(Matrix.RGB, Range.NARROW, Transfer.BT709, Siting.CENTER, 10),
        RGB_16,
    ],
    ids=lambda e: f"{e.matrix.value}-{e.range.value}-{e.depth}",
)
@pytest.mark.parametrize("chroma", ["420", "444"])
def test_every_kind_of_planes_gives_the_same_matte(encoding: Encoding, chroma: str) -> None:
    truth = scene()
    want = cut(rgb_planes(truth.picture, RGB_16), RGB_16)
    planes = rgb_to_planes(encode(truth.picture, encoding.transfer), encoding, chroma)
    got = Keyer().cut(planes, encoding)
    halved = chroma == "420" and encoding.matrix is not Matrix.RGB
    assert mean_error(got.alpha, want.alpha) < (0.0045 if halved else 2e-4)


def test_a_large_frame_is_analysed_small_and_cut_at_full_size() -> None:
    """Twice the live analysis a side: the fields are enlarged onto the frame's own pixels."""
    truth = scene()
    factor = 4
    picture = truth.picture.repeat_interleave(factor, -1).repeat_interleave(factor, -2)
    alpha = truth.alpha.repeat_interleave(factor, -1).repeat_interleave(factor, -2)
    got = Keyer(Grade.LIVE).cut(rgb_planes(picture), SRGB_8BIT)
    assert got.alpha.shape[-2:] == (HEIGHT * factor, WIDTH * factor)
    # measured .0012, as at the small size
    assert mean_error(got.alpha, alpha) < 0.0025
    small = Keyer(Grade.LIVE).composite(
        rgb_planes(picture), SRGB_8BIT, 0, backdrop(HEIGHT, WIDTH), Placement(1 / factor, 0, 0)
    )
    assert mean_error(small.alpha, truth.alpha) < 0.0025


@pytest.mark.gpu
@pytest.mark.parametrize("grade", GRADES)
@pytest.mark.parametrize("name", ["skin", "hair", "veil, grey", "shadow", "noise", "4:2:0"])
def test_cuda_agrees_with_the_cpu(name: str, grade: Grade) -> None:
    case = CASES[name]()
    placement = Placement(0.8, -9, -7, True)
    found, pictures = [], []
    for device in ("cpu", "cuda"):
        keyer = Keyer(grade, device=device)
        keyer.set_plate(case.plate, case.encoding)
        one = keyer.cut(case.planes, case.encoding)
        assert one.alpha.device.type == device
        found.append((one.alpha.cpu(), (one.fg * one.alpha).cpu()))
        there = backdrop(130, 180).to(device)
        pictures.append(
            keyer.composite(case.planes, case.encoding, 0, there, placement).picture.cpu().int()
        )
    for one, other in zip(*found, strict=True):
        # A pixel at a threshold may fall to either side.
        assert mean_error(one, other) < 1e-4
        assert float(((one - other).abs() > 2e-3).float().mean()) < 1e-3
    off = (pictures[0] - pictures[1]).abs()
    assert float((off > 1).float().mean()) < 1e-3
