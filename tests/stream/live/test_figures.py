"""Rates, percentiles and counts, with a clock that the test moves."""

import numpy as np
import pytest

from stream.live.figures import LATE_S, STAGES, Meter, Stages, Window, percentile


class Clock:
    """A clock that stands still until it is moved."""

    def __init__(self) -> None:
        self.now_s = 1000.0

    def __call__(self) -> float:
        return self.now_s


def test_percentile_is_the_nearest_rank() -> None:
    # the textbook example of the nearest-rank method: 15, 20, 35, 40, 50 (from memory)
    values = [50.0, 15.0, 40.0, 20.0, 35.0]
    assert [percentile(values, s) for s in (0.05, 0.3, 0.4, 0.5, 1.0)] == [15, 20, 20, 35, 50]
    assert percentile([], 0.5) == 0


def test_percentile_agrees_with_numpy() -> None:
    values = [float(v) for v in np.random.default_rng(1).normal(50, 20, 257)]
    for share in (0.01, 0.25, 0.5, 0.9, 0.99):
        reference = np.percentile(values, 100 * share, method="inverted_cdf")
        assert percentile(values, share) == pytest.approx(float(reference))


def test_window_forgets() -> None:
    clock = Clock()
    window = Window(clock, window_s=5.0)
    for _ in range(150):
        clock.now_s += 1 / 30
        window.add(1.0)
    assert window.rate() == pytest.approx(30, rel=0.01)
    clock.now_s += 6
    assert window.values() == []
    assert window.rate() == 0


def test_rate_just_after_the_start_is_over_the_time_that_passed() -> None:
    clock = Clock()
    window = Window(clock, window_s=5.0)
    for _ in range(15):
        clock.now_s += 1 / 15
        window.add()
    assert window.rate() == pytest.approx(15, rel=0.01)


def test_meter_counts_and_says_so() -> None:
    clock = Clock()
    meter = Meter(clock, device="cpu")
    for n in range(50):
        meter.arrived()
        arrived = clock.now_s
        clock.now_s += 0.2 if n % 10 == 0 else 0.05
        meter.composited(arrived)
        meter.ready(arrived)
    meter.dropped(3)
    meter.failed()
    figures = meter.read()
    assert figures.frames_in == figures.frames_out == 50
    assert figures.late == 5
    assert 0.05 < LATE_S < 0.2
    assert figures.dropped == 3
    assert figures.delay_p50_ms == pytest.approx(50)
    assert figures.delay_p99_ms == pytest.approx(200)
    assert figures.fps_in == pytest.approx(50 / 3.25, rel=0.01)
    line = figures.line()
    assert figures.lasting_p999_ms == pytest.approx(200, rel=0.01)
    assert figures.lasting_gap_ms == pytest.approx(200)
    assert "usual delay 50 ms | 1 in 100 over 200 ms" in line
    assert "longest pause 200 ms" in line
    assert "passed over 3, late 5" in line
    assert "errors 1" in line
    assert line.endswith("cpu")
    assert "on the page" not in line


def test_shown_is_told_apart_from_ready() -> None:
    clock = Clock()
    meter = Meter(clock)
    arrived = clock.now_s
    clock.now_s += 0.04
    meter.ready(arrived)
    clock.now_s += 0.02
    meter.shown(arrived)
    assert "on the page after 60 ms" in meter.read().line()
    assert meter.read().plain()["shown_ms"] == pytest.approx([60, 60])


def test_the_line_fits_one_row() -> None:
    clock = Clock()
    meter = Meter(clock)
    for _ in range(100_000):
        meter.arrived()
    meter.dropped(12_345)
    for _ in range(300):
        arrived = clock.now_s
        clock.now_s += 0.4
        meter.composited(arrived)
        meter.ready(arrived)
        meter.shown(arrived)
    figures = meter.read()
    whole = figures.line()
    assert "on the page" in whole
    assert "passed over 12345" in whole
    for columns in (120, 100, 90, 80, 70):
        line = figures.line(columns)
        assert len(line) <= columns
        assert "fps" in line
        assert "usual delay" in line
    assert len(figures.line(len(whole))) == len(whole)


def test_a_pause_of_the_camera_is_no_gap() -> None:
    clock = Clock()
    meter = Meter(clock)
    for gap in (0.03, 0.2, 600.0, 0.03):
        while gap > 0.25:
            clock.now_s += 0.25
            meter.waited(0.25)
            gap -= 0.25
        clock.now_s += gap
        meter.composited(clock.now_s - 0.02)
    assert meter.read().lasting_gap_ms == pytest.approx(250)


@pytest.mark.parametrize("source", ["sends on", "pauses"])
def test_a_stand_still_of_the_whole_program_is_a_gap(source: str) -> None:
    """The reader stood still, too: frames bear the time at which it ran again."""
    clock = Clock()
    meter = Meter(clock)
    meter.composited(clock.now_s - 0.02)
    if source == "pauses":
        clock.now_s += 0.25
        meter.waited(0.25)
        clock.now_s += 5.0  # asked to wait as long as ever
        meter.waited(0.25)
    else:
        clock.now_s += 4.75
    meter.composited(clock.now_s - 0.02)
    assert meter.read().lasting_gap_ms == pytest.approx(4750)


@pytest.mark.parametrize(
    ("waited_s", "gap_s"),
    [
        (3.1, 0.15),  # the camera paused; the last part of it was no whole wait
        (3.0, 0.15),
        (0.1, 3.05),  # it was there, and the station that reads was not
        (1.1, 2.05),
        (0.0, 3.15),
        (-2.0, 3.15),  # it decoded for so long
    ],
)
def test_of_an_idle_time_what_the_source_was_not_waited_for_is_a_gap(
    waited_s: float, gap_s: float
) -> None:
    clock = Clock()
    meter = Meter(clock)
    meter.composited(clock.now_s - 0.02, 700.0)
    for _ in range(12):
        clock.now_s += 0.25
        meter.waited(0.25)
    clock.now_s += 0.15
    meter.composited(clock.now_s - 0.02, 700.0 + waited_s)
    assert meter.read().lasting_gap_ms == pytest.approx(1e3 * gap_s)
    clock.now_s += 0.2
    meter.composited(clock.now_s - 0.02, 700.0 + waited_s)
    assert meter.read().lasting_gap_ms == pytest.approx(1e3 * max(0.2, gap_s))


def test_frames_that_the_encoder_passes_over_are_told_apart() -> None:
    meter = Meter(Clock())
    meter.dropped(3)
    meter.passed_encoder(2)
    plain = meter.read().plain()
    assert (plain["dropped"], plain["passed_encoder"]) == (5, 2)


def test_a_stall_of_the_program_is_a_gap() -> None:
    """The frame waited: it arrived when it should, and its composite came late."""
    clock = Clock()
    meter = Meter(clock)
    meter.composited(clock.now_s - 0.02)
    arrived = clock.now_s + 0.03
    clock.now_s += 4.0
    meter.composited(arrived)
    figures = meter.read()
    assert figures.lasting_gap_ms == pytest.approx(4000)
    assert figures.lasting_p999_ms == pytest.approx(3970, rel=0.011)


def test_stages() -> None:
    clock = Clock()
    stages = Stages(clock)
    for took in (0.010, 0.030, 0.020):
        with stages.timed("key"):
            clock.now_s += took
    assert stages.median_ms()["key"] == pytest.approx(20)
    assert stages.mean_ms()["key"] == pytest.approx(20)
    assert stages.counts() == {name: 3 if name == "key" else 0 for name in STAGES}
    with pytest.raises(ZeroDivisionError), stages.timed("jpeg"):
        _ = 1 / 0
    assert stages.counts()["jpeg"] == 0
