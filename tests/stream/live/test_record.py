"""Percentiles over minutes, in a memory that does not grow."""

import numpy as np
import pytest

from stream.live.record import Record
from tests.stream.live.test_figures import Clock


def test_percentiles_agree_with_numpy_within_a_bin() -> None:
    clock = Clock()
    record = Record(clock)
    values = np.random.default_rng(2).lognormal(np.log(0.05), 0.6, 20_000)
    for value in values:
        clock.now_s += 0.01
        record.add(float(value))
    shares = (0.01, 0.5, 0.9, 0.99, 0.999, 1.0)
    for share, got in zip(shares, record.percentiles(*shares), strict=True):
        true = float(np.percentile(values, 100 * share, method="inverted_cdf"))
        assert true * (1 - 1e-9) <= got <= true * 1.0101
    assert record.longest == float(values.max())
    assert record.count == 20_000


def test_one_slow_of_a_thousand_is_found_by_p999_alone() -> None:
    clock = Clock()
    record = Record(clock)
    for n in range(3000):
        clock.now_s += 1 / 30
        record.add(0.8 if n % 900 == 0 else 0.02)
    p50, p99, p999 = record.percentiles(0.5, 0.99, 0.999)
    assert p50 == pytest.approx(0.02, rel=0.01)
    assert p99 == pytest.approx(0.02, rel=0.01)
    assert p999 == pytest.approx(0.8, rel=0.01)


def test_it_forgets_after_its_minutes() -> None:
    clock = Clock()
    record = Record(clock, lasting_s=600.0)
    record.add(5.0)
    for _ in range(590):
        clock.now_s += 1
        record.add(0.01)
    assert record.longest == 5.0
    clock.now_s += 71
    assert record.longest == 0.01
    clock.now_s += 661
    assert (record.longest, record.count, record.percentiles(0.5)) == (0.0, 0, [0.0])


def test_hours_take_no_more_memory_than_minutes() -> None:
    clock = Clock()
    record = Record(clock)
    random = np.random.default_rng(4)
    most = 0
    for hour in range(3):
        for value in random.lognormal(np.log(0.05), 1.0, 20_000):
            clock.now_s += 3600 / 20_000
            record.add(float(value))
        if hour == 0:
            most = record.bins
    assert record.bins < 1.1 * most
    assert record.count <= 20_000 * 11 / 60 + 1


def test_odd_durations() -> None:
    record = Record(Clock())
    for value in (0.0, -1.0, 1e-9):
        record.add(value)
    assert record.percentiles(1.0) == [pytest.approx(1e-5)]
