"""Which rate a film gets, and which frame of its take is seen when."""

from __future__ import annotations

import random
from fractions import Fraction
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stream.film.rates import VARIABLE, TimeLine, measured, time_line

NTSC = Fraction(30000, 1001)
# EBU R37: after one stage sound may be 5 ms early or 15 ms late, so the picture 15 ms early.
EARLY_S, LATE_S = -0.015, 0.005
ROUNDED_S = 0.0011  # timestamps of whole milliseconds, as Matroska's usually are (RFC 9559)


def at_rate(rate: Fraction | float, count: int = 600) -> list[float]:
    """Timestamps of a camera, rounded to whole milliseconds."""
    return [round(float(i / rate), 3) for i in range(count)]


def irregular(seed: int, count: int = 400) -> list[float]:
    rng = random.Random(seed)
    times, at = [], 0.0
    for _ in range(count):
        times.append(at)
        at += rng.uniform(0.012, 0.07)
    return times


def lay(times: list[float], begin_s: float = 0.0, card_s: float = 0.0) -> TimeLine:
    length = times[-1] - begin_s + card_s
    return time_line(times, begin_s, length, lambda t: t - card_s if t >= card_s else None)


def shifts(line: TimeLine, times: list[float], card_s: float) -> list[float]:
    """How late after the sound each frame is first seen, in seconds.

    What the take has at ``p`` is heard at ``card_s + p - line.begin_s``.
    """
    first: dict[int, int] = {}
    for n, source in enumerate(line.shown):
        if source is not None:
            first.setdefault(source, n)
    seen, late = sorted(first), []
    for i, at in enumerate(times):
        after = next((s for s in seen if s >= i), None)
        if after is not None and after > seen[0] and at > line.begin_s:
            late.append(float(first[after] / line.rate) - (card_s + at - line.begin_s))
    return late


@pytest.mark.parametrize(
    ("rate", "film"),
    [
        (Fraction(30), Fraction(30)),
        (NTSC, NTSC),
        (2 * NTSC, NTSC),
        (Fraction(60), Fraction(30)),
        (Fraction(25), Fraction(25)),
        (Fraction(50), Fraction(25)),
        (Fraction(24), Fraction(24)),
        (Fraction(24000, 1001), Fraction(24000, 1001)),
        (Fraction(15), Fraction(30)),
    ],
)
@pytest.mark.parametrize(("begin_s", "card_s"), [(0.0, 0.0), (0.517, 2.013), (1.0, 0.4)])
def test_a_take_of_a_usual_rate_is_shown_frame_by_frame(
    rate: Fraction, film: Fraction, begin_s: float, card_s: float
) -> None:
    times = at_rate(rate)
    line = lay(times, begin_s, card_s)
    assert line.rate == film
    assert abs(line.begin_s - begin_s) <= 1 / film
    # No frame of the film's own rate is left out or shown twice.
    shown = [s for s in line.shown if s is not None]
    step = max(1, round(rate / film))
    if rate >= film:
        assert {b - a for a, b in pairwise(shown)} == {step}
    late = shifts(line, times, card_s)
    assert min(late) >= EARLY_S - ROUNDED_S
    assert max(late) <= LATE_S + ROUNDED_S
    if rate == film:
        assert max(map(abs, late)) < 0.002
    # Cards alone show before it.
    assert all((s is None) == (float(n / line.rate) < card_s) for n, s in enumerate(line.shown))


@pytest.mark.parametrize("times", [irregular(1), irregular(2), at_rate(29.8, 900), at_rate(20)])
@pytest.mark.parametrize(("begin_s", "card_s"), [(0.0, 0.0), (0.517, 2.013)])
def test_frames_at_any_time_are_seen_within_what_a_stage_may_shift(
    times: list[float], begin_s: float, card_s: float
) -> None:
    line = lay(times, begin_s, card_s)
    assert line.rate == VARIABLE
    assert line.begin_s == begin_s
    late = shifts(line, times, card_s)
    assert min(late) >= EARLY_S
    assert max(late) <= LATE_S


def test_sound_and_picture_do_not_drift_apart_in_five_minutes() -> None:
    for rate in (NTSC, Fraction(30), Fraction(25)):
        times = at_rate(rate, round(300 * rate))
        late = shifts(lay(times), times, 0.0)
        half = len(late) // 2
        means = [sum(part) / len(part) for part in (late[:half], late[half:])]
        assert abs(means[1] - means[0]) < 0.001


@settings(deadline=None, max_examples=60)
@given(
    st.sampled_from([Fraction(30), NTSC, Fraction(25), Fraction(24)]),
    st.floats(0, 1.5),
    st.floats(0, 3),
    st.integers(0, 2**32),
)
def test_an_unsteady_camera_keeps_its_rate(
    rate: Fraction, begin_s: float, card_s: float, seed: int
) -> None:
    rng = random.Random(seed)
    times = [float(i / rate) + rng.uniform(0, 0.006) for i in range(200)]
    line = lay(times, begin_s, card_s)
    shown = [s for s in line.shown if s is not None]
    assert {b - a for a, b in pairwise(shown)} == {1}
    assert line.begin_s >= 0


def test_dropped_frames_leave_the_one_before() -> None:
    times = [t for i, t in enumerate(at_rate(30, 90)) if i not in (10, 11, 40)]
    line = lay(times)
    assert line.rate == 30
    assert line.shown[9:13] == (9, 9, 9, 10)
    late = shifts(line, times, 0.0)
    assert max(map(abs, late)) < 0.002


def test_a_take_of_one_frame_shows_it_throughout() -> None:
    line = time_line([0.0], 0.0, 2.5, lambda t: t)
    assert line == TimeLine(Fraction(30), 0.0, (0,) * 75)
    assert measured([0.0]) is None
    assert time_line([0.0], 0.0, 0.001, lambda t: t).shown == (0,)


def test_a_film_that_goes_on_after_its_take_holds_the_last_frame() -> None:
    line = time_line(at_rate(30, 30), 0.0, 2.0, lambda t: t)
    assert line.shown[29:32] == (29, 29, 29)
    assert len(line.shown) == 60
    nothing = time_line(at_rate(30, 30), 0.0, 1.0, lambda t: None)
    assert set(nothing.shown) == {None}


def test_frames_before_the_first_are_its_own() -> None:
    """A take whose picture begins later than its sound."""
    times = [0.5 + t for t in at_rate(30, 60)]
    line = time_line(times, 0.0, 2.0, lambda t: t)
    assert line.shown[:15] == (0,) * 15
    assert line.shown[15:18] == (0, 1, 2)


def test_random_times_have_no_rate() -> None:
    assert measured(irregular(3)) is None
    for seed in range(20):
        rng = random.Random(seed)
        times = sorted(rng.uniform(0, 10) for _ in range(300))
        assert measured(times) is None
