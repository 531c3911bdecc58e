"""What the check measures, on screens whose light is known by formula."""

from __future__ import annotations

import math

import pytest
import torch
from torch import Tensor

from models.color import turn
from models.errors import ShapeError
from models.evenness import Place
from models.screen import Hue
from models.screencheck import Report, measure
from models.surround import Side
from models.upright import Upright
from tests.models.rendered import BLUE, GREEN, GREY, PALE_YELLOW, RGB_16, SKIN, TEAL, colour
from tests.models.screens import (
    HEIGHT,
    LIGHT,
    WIDTH,
    before,
    blob,
    eight_bit,
    grid,
    person,
    stopped,
    upright,
)


def checked(linear: Tensor, plate: Tensor | None = None) -> Report:
    report = measure(upright(linear), plate=None if plate is None else upright(plate))
    assert report is not None
    return report


def near(place: Place | None, y: float, x: float, within: float = 0.08) -> bool:
    return place is not None and math.hypot(place.y - y, place.x - x) < within


def noisy(linear: Tensor, sigma: Tensor | float) -> Tensor:
    made = torch.Generator().manual_seed(5)
    return linear + torch.randn(linear.shape, generator=made) * sigma


# --- evenness -------------------------------------------------------------------------------


@pytest.mark.parametrize("with_person", [False, True])
@pytest.mark.parametrize("noise", [0.0, 0.01])
def test_a_fall_off_is_measured_in_stops(with_person: bool, noise: float) -> None:
    """A stop is a factor of two of light: 1.5 of them from the left edge to the right."""
    lit = stopped(0.75 - 1.5 * grid()[1])
    report = checked(noisy(before(lit) if with_person else lit, noise).clamp(0, 1))
    assert report.spread == pytest.approx(1.5, abs=0.1)
    assert report.darkest[0].x > 0.95
    assert report.brightest[0].x < 0.05
    assert report.darkest[0].value == pytest.approx(-0.75, abs=0.1)
    columns = report.thirds.mean(0)
    assert float(columns[0] - columns[2]) == pytest.approx(1.0, abs=0.1)
    assert float(report.thirds.mean(1).std()) < 0.06


def test_an_even_screen_has_no_worst_place() -> None:
    report = checked(before(LIGHT))
    assert report.spread < 0.03
    assert report.darkest == report.brightest == ()
    assert float(report.stops.nan_to_num().abs().max()) < 0.03
    # The map holds where screen is seen and nowhere else.
    share = float((~report.stops.isnan()).float().mean())
    assert share == pytest.approx(float((person() < 0.01).float().mean()), abs=0.06)


@pytest.mark.parametrize(("y", "x"), [(0.25, 0.75), (0.8, 0.2), (0.5, 0.5)])
@pytest.mark.parametrize("stops", [0.9, -0.9])
def test_a_hot_and_a_dark_spot_are_found_where_they_are(y: float, x: float, stops: float) -> None:
    report = checked(stopped(stops * blob(y, x, 0.12)))
    found = report.brightest if stops > 0 else report.darkest
    assert near(found[0], y, x, 0.04)
    assert found[0].value == pytest.approx(stops, abs=0.12)
    assert report.spread == pytest.approx(0.9, abs=0.12)


def test_loose_dark_hair_is_not_a_dark_screen() -> None:
    """Black mixed in keeps the screen's saturation: only where it hangs tells it."""
    fringe = 0.45 * blob(0.35, 0.5, 0.13)
    report = checked(before(LIGHT * (1 - fringe)))
    assert report.spread < 0.3


# --- exposure, colour, noise ----------------------------------------------------------------


@pytest.mark.parametrize("stops", [-3.0, -1.0, 0.0, 1.0])
def test_the_level_counts_from_clipping(stops: float) -> None:
    report = checked(before(stopped(stops)))
    assert report.level == pytest.approx(-math.log2(GREEN[1]) - stops, abs=0.03)
    assert report.clipped == 0
    assert report.clipped_at is None


def test_clipping_is_measured_and_found() -> None:
    spot = (blob(0.25, 0.25, 0.1) > 0.5).float()
    report = checked((LIGHT * (1 + 2.5 * spot)).clamp(0, 1))
    assert report.clipped == pytest.approx(float(spot.mean()), rel=0.15)
    assert near(report.clipped_at, 0.25, 0.25, 0.12)
    assert report.spread > 1.3


@pytest.mark.parametrize("white", [0.0, 0.1, 0.3])
def test_washed_out_is_measured(white: float) -> None:
    report = checked(before(LIGHT + white))
    want = (GREEN[1] - GREEN[2]) / (GREEN[1] + white)
    assert report.saturation == pytest.approx(want, abs=0.02)


@pytest.mark.parametrize("sigma", [0.003, 0.01, 0.03])
@pytest.mark.parametrize("back", [GREEN, BLUE])
def test_known_noise_is_measured(sigma: float, back: tuple[float, float, float]) -> None:
    """Only the screen's channel is noisy, so that the difference has its sigma exactly."""
    hue = 1 if back is GREEN else 2
    only = torch.zeros(1, 3, 1, 1)
    only[:, hue] = sigma
    lit = colour(back) * torch.exp2(0.4 * grid()[0] - 0.3 * grid()[1])
    report = checked(noisy(before(lit), only).clamp(0, 1))
    own = float((lit[:, hue] - lit[:, [0, 3 - hue]].amax(1)).median())
    assert report.noise == pytest.approx(sigma / own, rel=0.12)


def test_a_screen_without_noise_has_none() -> None:
    assert checked(before(stopped(grid()[1]))).noise < 1e-3
    rounded = measure(eight_bit(before(stopped(grid()[1]))))
    assert rounded is not None
    assert rounded.noise < 0.01


# --- the cloth ------------------------------------------------------------------------------


def wrinkled(depth: float) -> Tensor:
    """Folds in the lower left part, ``depth`` stops to either side, 14 pixels from one to next."""
    y, x = grid()
    lines = torch.sin((x * WIDTH + 0.4 * y * HEIGHT) * (2 * math.pi / 14))
    return stopped(depth * lines * ((y > 0.55) & (x < 0.35)))


@pytest.mark.parametrize("depth", [0.15, 0.3, 0.5])
def test_wrinkles_are_measured_and_found(depth: float) -> None:
    report = checked(before(wrinkled(depth)))
    assert report.folds == pytest.approx(depth, rel=0.25)
    assert report.folds_at is not None
    assert report.folds_at.y > 0.5
    assert report.folds_at.x < 0.4


def test_a_seam_is_seen() -> None:
    x = grid()[1] * WIDTH
    report = checked(before(stopped(-0.6 * ((x - 100.5).abs() < 2).float())))
    assert report.folds > 0.2
    assert report.folds_at is not None
    assert report.folds_at.x == pytest.approx(100 / WIDTH, abs=0.03)


def test_smooth_light_and_noise_are_not_wrinkles() -> None:
    lit = stopped(0.75 - 1.5 * grid()[1] + 0.5 * blob(0.3, 0.3, 0.2))
    assert checked(before(lit)).folds < 0.08
    assert checked(noisy(before(lit), 0.015).clamp(0, 1)).folds < 0.1


# --- the subject ----------------------------------------------------------------------------


def rim_lit(share: float, front: tuple[float, float, float]) -> Tensor:
    """Of the green light within seven pixels of the outline this share is the screen's."""
    cover = person()
    inside = cover
    for _ in range(7):
        inside = -torch.nn.functional.max_pool2d(-inside, 3, 1, 1)
    own = torch.tensor(front).view(1, 3, 1, 1).expand_as(LIGHT)
    amount = share / (1 - share) * own[:, 1:2] / LIGHT[:, 1:2]
    return torch.where(inside > 0.5, own, own + amount * LIGHT)


@pytest.mark.parametrize("share", [0.0, 0.1, 0.2, 0.4])
@pytest.mark.parametrize("front", [SKIN, GREY, (0.36, 0.33, 0.17), (0.1, 0.06, 0.05)])
def test_painted_spill_is_measured(share: float, front: tuple[float, float, float]) -> None:
    report = checked(before(LIGHT, front=rim_lit(share, front)))
    assert report.spill == pytest.approx(share, abs=0.04)
    if share:
        assert report.spill_at is not None
        assert float(person()[0, 0, int(report.spill_at.y * HEIGHT)].max()) > 0


def test_spill_all_over_a_grey_subject_is_measured() -> None:
    """Nothing inside is free of it, but grey has no hue of its own."""
    amount = 0.08 / 0.92 * GREY[1] / GREEN[1]
    report = checked(before(LIGHT, front=colour(GREY) + amount * LIGHT))
    # Blue carries less of it than green: the least that is sure is what stands above.
    assert 0.05 < (report.spill or 0) < 0.1


@pytest.mark.parametrize("pixels", [5, 15])
def test_motion_blur_is_no_alarm(pixels: int) -> None:
    """Mixed pixels look like spill; up to 3 % of the picture it stays where nothing is said."""
    cover = torch.stack([person(0.5 + (i - pixels / 2) / WIDTH) for i in range(pixels)]).mean(0)
    assert (checked(before(LIGHT, cover)).spill or 0.0) < 0.2


def test_green_clothes_are_told_from_spill() -> None:
    green = checked(before(LIGHT, front=(0.12, 0.22, 0.10)))
    assert green.alike > 0.9
    assert green.spill is None
    for front in (SKIN, GREY, TEAL, PALE_YELLOW):
        assert checked(before(LIGHT, front=front)).alike < 0.02


def shaded(depth: float, soft: float = 12.0) -> Tensor:
    """A shadow ``depth`` stops deep to the right of the person, ``soft`` pixels its border."""
    y, x = grid()
    shape = torch.minimum(0.2 - (x - 0.65).abs(), y - 0.35) * WIDTH
    return stopped(-depth * torch.sigmoid(shape / soft * 4))


def test_a_shadow_is_measured_against_the_plate() -> None:
    lamps = torch.exp2(0.5 - grid()[0])
    for depth in (0.4, 1.0):
        report = checked(before(shaded(depth) * lamps), LIGHT * lamps)
        assert report.plate_fits is True
        assert report.shadow.depth == pytest.approx(depth, abs=0.1)
        assert report.shadow.at is not None
        assert report.shadow.at.x > 0.5
        # The shadow is not laid to the lamps.
        assert report.spread == pytest.approx(1.0, abs=0.15)
    assert checked(before(LIGHT * lamps), LIGHT * lamps).shadow.depth == 0


def test_a_hard_shadow_is_found_without_a_plate() -> None:
    lamps = torch.exp2(0.3 - 0.6 * grid()[0])
    report = checked(before(shaded(0.9) * lamps))
    assert report.shadow.depth == pytest.approx(0.9, abs=0.3)
    assert report.shadow.at is not None
    assert report.shadow.at.x > 0.6
    assert report.spread < 0.8


@pytest.mark.parametrize("fall", [0.0, 0.6, 1.5])
def test_lamps_are_not_a_shadow(fall: float) -> None:
    lit = stopped(fall * (0.5 - grid()[0]) + 0.3 * fall * blob(0.2, 0.8, 0.3))
    report = checked(before(lit))
    assert (report.shadow.depth, report.shadow.at) == (0, None)
    assert checked(lit).shadow.depth == 0


# --- the screen's border --------------------------------------------------------------------

WALL = colour((0.2, 0.18, 0.16))


def walled(sides: str, arm: bool = False) -> Tensor:
    """A wall or floor beside a screen; with ``arm`` somebody reaches across the border."""
    y, x = grid()
    beyond = torch.zeros_like(x)
    for side, part in {"l": x < 0.12, "r": x > 0.88, "t": y < 0.1, "b": y > 0.85}.items():
        if side in sides:
            beyond = torch.maximum(beyond, part.float())
    back = torch.lerp(LIGHT, WALL.expand_as(LIGHT), beyond)
    cover = person()
    if arm:
        cover = torch.maximum(cover, ((y - 0.55).abs() < 0.05).float() * (x < 0.5))
    return before(back, cover)


@pytest.mark.parametrize("with_plate", [False, True])
@pytest.mark.parametrize(
    ("sides", "want"),
    [("", ()), ("l", (Side.LEFT,)), ("lr", (Side.LEFT, Side.RIGHT)), ("t", (Side.TOP,))],
)
def test_where_the_screen_ends(sides: str, want: tuple[Side, ...], with_plate: bool) -> None:
    plate = None
    if with_plate:
        y, x = grid()
        parts = {"l": x < 0.12, "r": x > 0.88, "t": y < 0.1}
        plate = LIGHT.clone()
        for side in sides:
            plate = torch.where(parts[side], WALL, plate)
    report = checked(walled(sides), plate)
    assert report.beyond.sides == want
    assert report.beyond.touched_at is None
    assert report.subject_share == pytest.approx(float(person().mean()), abs=0.04)
    assert report.spread < 0.1


def test_an_arm_across_the_border_is_told() -> None:
    report = checked(walled("l", arm=True))
    assert report.beyond.sides == (Side.LEFT,)
    assert near(report.beyond.touched_at, 0.55, 0.13)
    # An arm that leaves the picture before a screen that fills it is no border.
    assert checked(walled("", arm=True)).beyond.sides == ()


def test_a_bare_floor_is_a_border_that_is_crossed() -> None:
    report = checked(walled("b"))
    assert report.beyond.sides == (Side.BOTTOM,)
    assert near(report.beyond.touched_at, 0.85, 0.5)


@pytest.mark.parametrize("cx", [0.0, 0.5, 1.0])
def test_people_who_leave_the_picture_are_no_border(cx: float) -> None:
    """Somebody at the side; and shoulders that fill the whole lower edge."""
    assert checked(before(LIGHT, person(cx, width=0.4, top=0.2))).beyond.sides == ()
    y, x = grid()
    shoulders = (y > 0.45 + 0.5 * (x - cx).abs()).float()
    report = checked(before(LIGHT, torch.maximum(person(cx), shoulders)))
    assert report.beyond.sides == ()


# --- what is no screen, and what does not matter --------------------------------------------


@pytest.mark.parametrize("front", [GREY, SKIN, (0.0, 0.0, 0.0), (1.0, 1.0, 1.0), PALE_YELLOW])
def test_no_screen_is_none(front: tuple[float, float, float]) -> None:
    assert measure(upright(colour(front).expand_as(LIGHT))) is None


def test_nothing_but_subject_is_little_screen() -> None:
    """A corner of screen is measured, and how little it is stands in the report."""
    y, x = grid()
    cover = 1 - ((y < 0.4) & (x < 0.3)).float()
    report = checked(before(LIGHT, cover))
    assert report.screen_share == pytest.approx(0.12, abs=0.02)
    assert report.spread < 0.05


def test_a_blue_screen() -> None:
    lit = colour(BLUE) * torch.exp2(0.5 - grid()[0])
    report = checked(before(lit))
    assert report.hue is Hue.BLUE
    assert report.spread == pytest.approx(1.0, abs=0.1)
    assert measure(upright(before(lit)), Hue.GREEN) is None


def test_a_plate_of_another_screen_is_left_out() -> None:
    lit = stopped(0.5 - grid()[0])
    other = colour(BLUE).expand_as(LIGHT)
    with_plate, without = checked(before(lit), other), checked(before(lit))
    assert with_plate.plate_fits is False
    assert without.plate_fits is None
    assert with_plate.spread == without.spread
    with pytest.raises(ShapeError, match=r"240x360 .* 480x360"):
        checked(before(lit), lit[..., :240])


def test_places_are_those_of_the_upright_picture() -> None:
    lit = stopped(blob(0.25, 0.75, 0.12))
    for turns in range(4):
        planes = upright(turn(lit, -turns % 4)).planes
        report = measure(Upright(planes, RGB_16, turns))
        assert report is not None
        assert near(report.brightest[0], 0.25, 0.75, 0.05)


def test_size_does_not_matter() -> None:
    lit = before(stopped(0.75 - 1.5 * grid()[1]))
    large = torch.nn.functional.interpolate(lit, (4 * HEIGHT, 4 * WIDTH), mode="bilinear")
    small, big = checked(lit), checked(large)
    assert big.spread == pytest.approx(small.spread, abs=0.05)
    assert big.subject_share == pytest.approx(small.subject_share, abs=0.03)
    # As small as a picture comes.
    assert measure(upright(LIGHT[..., :24, :32])) is not None


@pytest.mark.parametrize(
    ("height", "width"), [(1, 1), (2, 2), (3, 3), (1, 400), (400, 4), (15, 64)]
)
def test_a_picture_too_small_is_one_sentence(height: int, width: int) -> None:
    small = colour(GREEN).expand(1, 3, height, width).contiguous()
    with pytest.raises(ShapeError, match=f"{width}x{height} .* at least 16 pixels each way; "):
        measure(upright(small))


@pytest.mark.parametrize("width", [16, 17, 400])
def test_the_smallest_picture_is_checked(width: int) -> None:
    report = checked(colour(GREEN).expand(1, 3, 16, width).contiguous())
    assert report.screen_share == 1


def test_the_frame_stays_as_it_was() -> None:
    frame = upright(before(LIGHT))
    copies = [p.clone() for p in frame.planes]
    measure(frame, plate=upright(LIGHT))
    assert all(torch.equal(a, b) for a, b in zip(frame.planes, copies, strict=True))
