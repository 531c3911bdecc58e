"""When the picture gets less and when it comes back, on made-up timings."""

from __future__ import annotations

from collections.abc import Callable
from itertools import pairwise

import pytest

from stream.live.pacing import (
    FULL,
    LONGEST_UP_S,
    SHOWN_STEPS,
    STEPS,
    UP_AFTER_S,
    Pacing,
    Quality,
    quality_sentence,
)

Cost = Callable[[Quality, float], float]


class Run:
    """A source and a keyer in made-up time: the newest frame wins, as in the loop."""

    def __init__(self, fps: float = 30.0) -> None:
        self.pacing = Pacing()
        self.fps = fps
        self.now_s = 100.0
        self.changes: list[tuple[float, Quality]] = []
        self._last = -1

    def go(self, seconds: float, cost: Cost, encoding: Cost = lambda q, t: 0.0) -> None:
        """Key the newest frame over and over, each for what it costs, and encode beside it."""
        end = self.now_s + seconds
        while self.now_s < end:
            newest = int((self.now_s - 100.0) * self.fps + 1e-6)
            if newest <= self._last:
                newest = self._last + 1
                self.now_s = 100.0 + newest / self.fps
            self._last = newest
            self.pacing.arrived(100.0 + newest / self.fps, newest)
            took = cost(self.pacing.quality, self.now_s)
            self.now_s += took
            if self.pacing.took(took, self.now_s, encoding(self.pacing.quality, self.now_s)):
                self.changes.append((self.now_s, self.pacing.quality))


def pixels(whole_s: float, fixed_s: float = 0.005) -> Cost:
    """What follows the pixels, and a part that does not."""

    def cost(quality: Quality, now_s: float) -> float:
        return fixed_s + whole_s * (quality.fineness * quality.preview) ** 2

    return cost


def test_with_room_nothing_changes() -> None:
    run = Run()
    run.go(120, pixels(0.015))
    assert run.changes == []


@pytest.mark.parametrize("fps", [15.0, 24.0, 25.0, 30.0, 50.0, 60.0])
def test_the_interval_is_measured_over_frames_passed_over_too(fps: float) -> None:
    run = Run(fps)
    run.go(20, lambda q, t: 2.3 / fps)
    assert run.pacing.interval_s == pytest.approx(1 / fps, rel=0.02)


def test_too_slow_gets_finer_in_no_time_and_settles_where_it_fits() -> None:
    run = Run()
    run.go(12, pixels(0.045))
    assert run.pacing.quality == STEPS[1]
    assert len(run.changes) == 1
    assert run.changes[0][0] - 100 < 3


def test_far_too_slow_goes_through_the_steps_in_order() -> None:
    run = Run()
    run.go(30, pixels(0.4))
    assert [q for _, q in run.changes] == list(STEPS[1:])
    run.go(60, lambda q, t: 0.5)
    assert run.pacing.quality == STEPS[-1]


def encoded(whole_s: float) -> Cost:
    """What follows the pixels of the picture, however fine its matte is."""
    return lambda quality, now_s: whole_s * quality.preview**2


def test_where_encoding_is_slow_the_matte_stays_fine() -> None:
    run = Run()
    run.go(30, pixels(0.01), encoded(0.1))
    assert [q for _, q in run.changes] == [Quality(preview=0.75), Quality(preview=0.5)]
    run.go(60, pixels(0.01), encoded(0.01))
    assert [q for _, q in run.changes[2:]] == [Quality(preview=0.75), FULL]


def test_each_station_that_is_slow_gets_what_helps_it() -> None:
    run = Run()
    run.go(8, pixels(0.01), encoded(0.05))
    assert run.pacing.quality == Quality(preview=0.75)
    # Now the keyer is slower, and does not get faster: all that helps it is tried.
    run.go(30, lambda q, t: 0.06, encoded(0.05))
    gone = [q for _, q in run.changes]
    assert gone[1:] == [Quality(0.75, 0.75), Quality(0.5, 0.75), Quality(0.5, 0.5)]
    run.go(120, pixels(0.01), encoded(0.01))
    assert [q for _, q in run.changes[4:]] == [*gone[-2::-1], FULL]


def test_a_keyer_that_refines_at_full_size_gets_smaller_pictures() -> None:
    run = Run()
    run.pacing.afresh(SHOWN_STEPS)
    run.go(30, lambda q, t: 0.2)
    assert [q for _, q in run.changes] == list(SHOWN_STEPS[1:])


def test_a_slow_source_leaves_more_time() -> None:
    run = Run(fps=15)
    run.go(30, pixels(0.045))
    assert run.changes == []


@pytest.mark.parametrize("frames", [1, 5, 12])
def test_single_slow_frames_change_nothing(frames: int) -> None:
    """A scene change, a plate, a worker that starts: some frames in a row, now and then."""
    run = Run()
    count = 0

    def cost(quality: Quality, now_s: float) -> float:
        nonlocal count
        count += 1
        return 0.25 if frames == 1 and count % 60 == 0 else 0.015

    run.go(30, cost)
    run.go(0.06 * frames, lambda q, t: 0.06)
    run.go(30, cost)
    assert run.changes == []


def test_full_quality_comes_back_when_there_is_room() -> None:
    run = Run()
    run.go(10, pixels(0.045))
    assert run.pacing.quality == STEPS[1]
    run.go(UP_AFTER_S - 1, pixels(0.012))
    assert run.pacing.quality == STEPS[1]
    run.go(10, pixels(0.012))
    assert run.pacing.quality == FULL
    assert len(run.changes) == 2


def test_between_tight_and_room_it_stays() -> None:
    run = Run()
    run.go(10, pixels(0.05))
    before = len(run.changes)
    run.go(300, lambda q, t: 0.025)
    assert len(run.changes) == before


def test_a_step_that_fails_is_tried_ever_more_seldom() -> None:
    """At the lower step there is room, at the upper one there is not: the worst case."""
    run = Run()
    hours = 2

    def cost(quality: Quality, now_s: float) -> float:
        return 0.06 if quality == FULL else 0.01

    run.go(hours * 3600, cost)
    ups = [t for t, q in run.changes if q == FULL]
    waits = [b - a for a, b in pairwise(ups)]
    assert len(ups) <= 6 + hours * 3600 / LONGEST_UP_S
    assert all(b > 1.5 * a for a, b in pairwise(waits[:5]))
    assert max(waits) < LONGEST_UP_S + 20
    at_full = sum(later - t for (t, q), (later, _) in pairwise(run.changes) if q == FULL)
    assert at_full < 0.02 * hours * 3600


def test_after_one_that_held_the_wait_is_short_again() -> None:
    run = Run()

    def failing(quality: Quality, now_s: float) -> float:
        return 0.06 if quality == FULL else 0.01

    run.go(300, failing)
    run.go(400, lambda q, t: 0.01)
    assert run.pacing.quality == FULL
    run.go(4, pixels(0.045))
    assert run.pacing.quality == STEPS[1]
    run.go(UP_AFTER_S + 6, lambda q, t: 0.01)
    assert run.pacing.quality == FULL


def test_noise_around_the_limit_does_not_flicker() -> None:
    run = Run()
    count = 0

    def cost(quality: Quality, now_s: float) -> float:
        nonlocal count
        count += 1
        around = 0.85 + 0.3 * ((count * 7919) % 101) / 101
        return pixels(0.03, 0.002)(quality, now_s) * around

    run.go(1800, cost)
    assert len(run.changes) <= 24


def test_a_source_that_pauses_or_begins_anew_decides_nothing() -> None:
    run = Run()
    run.go(10, pixels(0.015))
    run.now_s += 600
    run._last = int((run.now_s - 100) * 30)
    run.go(10, pixels(0.015))
    run.pacing.arrived(run.now_s + 1, 0)  # another source counts from the beginning
    assert run.changes == []
    assert run.pacing.took(5.0, run.now_s + 6) is False


def test_a_faster_keyer_begins_at_full_quality() -> None:
    run = Run()
    run.go(20, pixels(0.25))
    assert run.pacing.quality != FULL
    assert run.pacing.afresh() is True
    assert run.pacing.quality == FULL
    assert run.pacing.afresh() is False
    before = len(run.changes)
    run.go(60, pixels(0.015))
    assert len(run.changes) == before


def test_what_the_operator_reads() -> None:
    sentences = [quality_sentence(q) for q in STEPS]
    assert len(set(sentences)) == len(STEPS)
    less = "The live picture is a little coarser at hair and edges to keep up"
    assert sentences[1].startswith(less)
    assert "shown at half size" in sentences[-1]
    assert sentences[0] == "The picture is as fine and as large as usual again."
