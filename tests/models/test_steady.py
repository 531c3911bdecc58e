"""Clips whose truth is known: still where nothing moves, untouched where anything does."""

from __future__ import annotations

import gc
import itertools
import math
import weakref
from collections.abc import Iterator
from functools import cache

import pytest
import torch
from torch import Tensor

from models.color import SRGB_8BIT, Encoding, Matrix, Planes, rgb_to_planes
from models.keyer import Cut, Grade, Keyer
from models.steady import Steady
from models.transfer import encode
from tests.models.keying import GRADES
from tests.models.rendered import (
    GREEN,
    GREY,
    SKIN,
    VIDEO_8,
    Shown,
    colour,
    grid,
    person,
    shown,
    soft,
    uneven,
)

GRAIN = 1.5 / 255
Frames = list[tuple[Planes, Encoding, int]]


@cache
def still() -> Shown:
    return shown(person(), colour(SKIN), uneven(GREEN))


def with_bar(left: float) -> Shown:
    """A person, and a sharp upright bar, 10 pixels wide, beside."""
    y, x = grid()
    bar = soft(torch.minimum(torch.minimum(x - left, left + 10 - x), 120 - y))
    return shown(torch.maximum(person(30), bar), colour(GREY), uneven(GREEN))


def taken(
    scenes: list[Shown],
    grain: float = GRAIN,
    gains: list[float] | None = None,
    encoding: Encoding = VIDEO_8,
) -> Frames:
    """What a camera gives of the scenes: grain of its own in every frame, lamps of any strength."""
    frames: Frames = []
    for i, (scene, gain) in enumerate(zip(scenes, gains or [1.0] * len(scenes), strict=True)):
        noise = torch.randn(scene.picture.shape, generator=torch.Generator().manual_seed(i))
        seen = encode(scene.picture * gain, encoding.transfer) + noise * grain
        frames.append((rgb_to_planes(seen, encoding), encoding, 0))
    return frames


def apart(frames: Frames, grade: Grade = Grade.FINAL) -> list[Cut]:
    keyer = Keyer(grade)
    return [next(iter(keyer.cut_sequence([frame]))) for frame in frames]


def together(frames: Frames, grade: Grade = Grade.FINAL) -> list[Cut]:
    return list(Keyer(grade).cut_sequence(frames))


def flicker(cuts: list[Cut]) -> float:
    """How much the matte changes from frame to frame, once it has settled."""
    alphas = torch.cat([c.alpha for c in cuts[6:]])
    return float((alphas[1:] - alphas[:-1]).square().mean().sqrt())


def error(cut: Cut, scene: Shown) -> float:
    return float((cut.alpha - scene.alpha).abs().mean())


# --- where nothing moves --------------------------------------------------------------------


def test_a_still_scene_flickers_less_than_half_as_much_and_keeps_its_mean() -> None:
    frames = taken([still()] * 12)
    single, joined = apart(frames), together(frames)
    assert flicker(joined) < 0.5 * flicker(single)
    for cuts in (single, joined):
        mean = torch.cat([c.alpha for c in cuts]).mean()
        assert float((mean - still().alpha.mean()).abs()) < 0.002
    errors = [sum(error(c, still()) for c in cuts[6:]) for cuts in (single, joined)]
    assert errors[1] < errors[0] * 1.01


def test_the_noise_falls_as_an_exponential_average_lets_it() -> None:
    """White noise of variance v, averaged with share s of the new: v s / (2 - s).

    Source: Roberts, "Control Chart Tests Based on Geometric Moving Averages", Technometrics 1
    (1959); the formula from memory. s = 1 / 8 gives .258 of the standard deviation.
    """
    steady = Steady()
    planes: Planes = ()  # type: ignore[assignment]
    for i in range(40):
        made = torch.Generator().manual_seed(i)
        y, cb, cr = (120 + 2 * torch.randn(96, 128, generator=made) for _ in range(3))
        planes = steady.follow((y, cb, cr), SRGB_8BIT)
    for plane in planes:
        assert 0.24 < float(plane.std()) / 2 < 0.34
        assert abs(float(plane.mean()) - 120) < 0.05


def test_light_that_changes_slowly_is_followed() -> None:
    """A shadow draws over a part of the screen by less than the noise in every frame."""
    steady = Steady()
    for i in range(40):
        made = torch.Generator().manual_seed(i)
        y, cb, cr = (120 + 2 * torch.randn(96, 128, generator=made) for _ in range(3))
        y[:, :40] -= 0.2 * i
        planes = steady.follow((y, cb, cr), VIDEO_8)
    want = 120 - 0.2 * 39
    assert abs(float(planes[0][:, :36].mean()) - want) < 0.2 * 8


def test_flickering_lamps_do_not_end_the_average() -> None:
    gains = [1 + 0.08 * math.sin(2.1 * i) for i in range(12)]
    frames = taken([still()] * 12, gains=gains)
    single, joined = apart(frames), together(frames)
    assert flicker(joined) < 0.6 * flicker(single)
    for one, other in zip(single, joined, strict=True):
        assert error(other, still()) < error(one, still()) + 2e-4
    light = torch.stack([c.fg[still().alpha.expand_as(c.fg) > 0.99].mean() for c in joined])
    lit = torch.stack([c.fg[still().alpha.expand_as(c.fg) > 0.99].mean() for c in single])
    # The subject is as bright as the lamps make it in each frame.
    torch.testing.assert_close(light, lit, rtol=0.004, atol=0)


# --- where something moves ------------------------------------------------------------------


@pytest.mark.parametrize("speed", [0.3, 2.0, 9.0, 17.5])
def test_a_moving_bar_leaves_nothing_behind_and_sends_nothing_ahead(speed: float) -> None:
    scenes = [with_bar((5 + speed * i) % 60) for i in range(8)]
    frames = taken(scenes)
    for scene, one, other in zip(scenes, apart(frames), together(frames), strict=True):
        near = torch.nn.functional.max_pool2d((scene.alpha[..., :80] > 0).float(), 41, 1, 20) > 0
        wrong = [(c.alpha - scene.alpha)[..., :80][near].abs() for c in (one, other)]
        assert float(wrong[1].mean()) < float(wrong[0].mean()) * 1.03 + 1e-5
        assert float(wrong[1].max()) < float(wrong[0].max()) + 0.03


def test_what_comes_and_goes_is_there_and_is_gone_at_once() -> None:
    scenes = [with_bar(20) if i % 4 < 2 else with_bar(-40) for i in range(9)]
    for scene, cut in zip(scenes, together(taken(scenes)), strict=True):
        inside = cut.alpha[..., 10:110, 23:27]
        assert float((inside - scene.alpha[..., 10:110, 23:27]).abs().max()) < 0.02


def test_a_cut_to_another_scene_keeps_nothing_of_the_last() -> None:
    # Everything differs: another light, another person, another place.
    dark = shown(person(-40, 0.7), colour(GREY), uneven((0.03, 0.2, 0.05)))
    frames = taken([still()] * 5 + [dark] * 2)
    alone, joined = apart(frames)[5], together(frames)[5]
    assert torch.equal(joined.alpha, alone.alpha)
    assert torch.equal(joined.fg, alone.fg)


# --- what it promises -----------------------------------------------------------------------


@pytest.mark.parametrize("grade", GRADES)
def test_the_first_frame_is_cut_as_a_still_is_and_a_new_call_begins_anew(grade: Grade) -> None:
    frames = taken([still(), with_bar(20)])
    keyer = Keyer(grade)
    for frame in frames:
        joined, alone = next(iter(keyer.cut_sequence([frame]))), Keyer(grade).cut(*frame)
        again = next(iter(Keyer(grade).cut_sequence([frame])))
        assert torch.equal(joined.alpha, again.alpha)
        off = (alone.alpha - joined.alpha).abs()
        assert float(off.mean()) < (0.006 if grade is Grade.FINAL else 1e-9)


def test_in_a_still_the_two_colours_have_a_say_which_only_makes_it_more_solid() -> None:
    keyer = Keyer()
    keyer.corrector.refiner = None
    for frame in taken([still(), with_bar(20)]):
        joined, alone = next(iter(keyer.cut_sequence([frame]))), keyer.cut(*frame)
        assert bool((alone.alpha >= joined.alpha - 1e-6).all())
        assert float((alone.alpha - joined.alpha).max()) > 0.01


def test_the_live_grade_cuts_every_frame_by_itself() -> None:
    frames = taken([still()] * 3)
    for one, other in zip(apart(frames, Grade.LIVE), together(frames, Grade.LIVE), strict=True):
        assert torch.equal(one.alpha, other.alpha)


def test_a_clip_is_read_as_it_is_cut_and_not_kept() -> None:
    kept: list[weakref.ref[Tensor]] = []

    def endless() -> Iterator[tuple[Planes, Encoding, int]]:
        for i in itertools.count():
            (frame,) = taken([still()], grain=GRAIN * (1 + i % 2))
            kept.append(weakref.ref(frame[0][0]))
            yield frame
            del frame

    cuts = Keyer().cut_sequence(endless())
    for i in range(1, 6):
        next(cuts)
        assert len(kept) == i
    gc.collect()
    assert sum(ref() is not None for ref in kept) <= 2


@pytest.mark.parametrize("chroma", ["420", "422", "444"])
@pytest.mark.parametrize("depth", [8, 10])
def test_any_planes_are_followed_and_none_is_written_to(chroma: str, depth: int) -> None:
    encoding = Encoding(depth=depth)
    made = torch.Generator().manual_seed(2)
    steady, spread = Steady(), []
    for _ in range(12):
        seen = 0.5 + 0.01 * torch.randn(1, 3, 75, 101, generator=made)
        planes = rgb_to_planes(seen, encoding, chroma)
        before = [p.clone() for p in planes]
        calm = steady.follow(planes, encoding)
        assert all(torch.equal(a, b) for a, b in zip(planes, before, strict=True))
        assert [p.shape for p in calm] == [p.shape for p in planes]
        spread.append(float(calm[0].std()) / float(planes[0].float().std()))
    assert spread[0] == 1
    assert spread[-1] < 0.6


def test_another_size_or_encoding_begins_a_new_clip() -> None:
    steady = Steady()
    first = rgb_to_planes(torch.full((1, 3, 40, 60), 0.5), SRGB_8BIT)
    steady.follow(first, SRGB_8BIT)
    for encoding, size in ((VIDEO_8, (40, 60)), (VIDEO_8, (44, 60))):
        assert encoding.matrix is Matrix.BT709
        made = torch.rand(1, 3, *size, generator=torch.Generator().manual_seed(1))
        planes = rgb_to_planes(made, encoding)
        calm = steady.follow(planes, encoding)
        assert all(torch.equal(a, b.float()) for a, b in zip(calm, planes, strict=True))
