"""Where samples stand in time: jitter, drift, gaps, jumps, and all of them together."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stream.sound.timeline import Mark, end_s, runs


def marks(
    count: int,
    rate: int = 48_000,
    step: int = 1024,
    begin_s: float = 0.0,
    ppm: float = 0.0,
    shake_s: float = 0.0,
    round_s: float = 0.0,
    seed: int = 1,
) -> list[Mark]:
    """Marks of a clock that runs ``ppm`` millionths too fast, shaken and rounded."""
    rng = np.random.default_rng(seed)
    true_rate = rate * (1 + ppm * 1e-6)
    found = []
    for n in range(count):
        at_s = begin_s + n * step / true_rate + rng.uniform(-shake_s, shake_s)
        at_s = round(at_s / round_s) * round_s if round_s else at_s
        found.append(Mark(at_s, step, rate))
    return found


def late(found: list[Mark], seconds: float) -> list[Mark]:
    return [Mark(None if m.at_s is None else m.at_s + seconds, m.samples, m.rate) for m in found]


def test_nothing_is_no_run() -> None:
    assert runs([]) == []
    assert runs([Mark(0.0, 0, 48_000)]) == []
    assert end_s([]) == 0.0


def test_one_sample_stands_where_it_is_said() -> None:
    (run,) = runs([Mark(3.25, 1, 44_100)])
    assert run.when(0) == 3.25
    assert run.steady


def test_without_timestamps_sound_begins_at_0_and_goes_on() -> None:
    (run,) = runs([Mark(None, 1000, 48_000)] * 30)
    assert run.samples == 30_000
    assert run.when(48_000) == 1.0


def test_rounded_timestamps_of_a_true_clock_are_no_drift() -> None:
    """A rate of 44.1 kHz never falls on milliseconds (RFC 9559's usual time scale)."""
    (run,) = runs(marks(13_000, 44_100, round_s=0.001))
    assert run.steady
    assert abs(run.when(0)) < 0.0004


@pytest.mark.parametrize("ppm", [-200.0, -30.0, 50.0, 1000.0])
@pytest.mark.parametrize("shake_s", [0.0, 0.004])
def test_a_clock_that_runs_off_is_followed(ppm: float, shake_s: float) -> None:
    (run,) = runs(marks(14_000, ppm=ppm, shake_s=shake_s, round_s=0.001, begin_s=0.4))
    rate = 48_000 * (1 + ppm * 1e-6)
    for sample in range(0, 14_000 * 1024, 1024 * 500):
        assert abs(run.when(sample) - 0.4 - sample / rate) < 0.001


def test_a_clock_that_warms_up_is_followed() -> None:
    rng = np.random.default_rng(2)
    found, at_s, truth = [], 0.0, []
    for n in range(14_000):
        truth.append(at_s)
        found.append(Mark(round(at_s + rng.uniform(0, 0.002), 3), 1024, 48_000))
        at_s += 1024 / (48_000 * (1 + 1e-4 * np.exp(-n / 3000)))
    (run,) = runs(found)
    off = [run.when(n * 1024) - 0.001 - truth[n] for n in range(0, 14_000, 100)]
    assert np.ptp(off) < 0.001


@pytest.mark.parametrize("gap_s", [0.0213, 0.5, 7.0])
def test_a_gap_is_found_at_its_place(gap_s: float) -> None:
    before = marks(200, round_s=0.001)
    after = late(marks(300, begin_s=200 * 1024 / 48_000, round_s=0.001), gap_s)
    first, second = runs(before + after)
    assert (first.samples, second.first) == (200 * 1024, 200 * 1024)
    assert abs(second.when(0) - first.when(first.samples) - gap_s) < 0.0015


def test_time_that_jumps_back_begins_a_new_run() -> None:
    first, second = runs(marks(200) + marks(200, begin_s=2.0))
    assert second.when(0) == pytest.approx(2.0, abs=1e-6)
    assert first.when(first.samples) > 4.0


def test_a_late_packet_alone_is_no_gap() -> None:
    found = marks(400, round_s=0.001)
    found[150] = late(found[150:151], 0.08)[0]
    (run,) = runs(found)
    assert abs(run.when(150 * 1024) - 150 * 1024 / 48_000) < 0.0005


def test_a_change_of_rate_begins_a_new_run() -> None:
    first, second = runs(marks(100, 44_100, 441) + late(marks(100, 48_000, 480), 1.0))
    assert (first.rate, second.rate) == (44_100, 48_000)
    assert second.when(0) == pytest.approx(1.0, abs=1e-6)


def test_a_rate_that_is_said_wrongly_is_found() -> None:
    """Sound of 48 kHz that a file calls 44.1: a twelfth too slow, unless its times are followed."""
    (run,) = runs(marks(2000, 44_100, ppm=(48_000 / 44_100 - 1) * 1e6))
    assert run.when(48_000) == pytest.approx(1.0, abs=0.001)


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.floats(0.03, 5.0), min_size=0, max_size=4),
    st.integers(60, 400),
    st.floats(-300, 300),
    st.integers(0, 100),
)
def test_every_gap_is_found_and_no_other(
    gaps: list[float], count: int, ppm: float, seed: int
) -> None:
    found: list[Mark] = []
    at_s = 0.2
    for n, gap in enumerate([0.0, *gaps]):
        at_s += gap
        part = marks(count, ppm=ppm, begin_s=at_s, round_s=0.001, shake_s=0.0005, seed=seed + n)
        found += part
        at_s += count * 1024 / (48_000 * (1 + ppm * 1e-6))
    assert len(runs(found)) == len(gaps) + 1
    assert end_s(found) == pytest.approx(at_s, abs=0.002)
