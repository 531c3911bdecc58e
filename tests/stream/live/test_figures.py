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
    assert "delay p50/p99 50/200 ms" in line
    assert "dropped 3, late 5" in line
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
    assert "on the page 60/60 ms" in meter.read().line()


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
