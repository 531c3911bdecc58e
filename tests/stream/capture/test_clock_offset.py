"""The offset between two clocks, from arrivals that are late by chance."""

from __future__ import annotations

import random

import pytest

from stream.capture.clock_offset import SECOND_US, ClockOffset


def run(
    seconds: int, faster: float, *, delay_us: int = 30_000, jitter_us: int = 8_000
) -> list[int]:
    """Errors of the offset in microseconds, packet by packet, for a device that runs fast."""
    chance, offset, errors = random.Random(3), ClockOffset(), []
    for n in range(seconds * 50):
        device_us = n * 20_000
        true_us = 7_000_000 + round(device_us / (1 + faster)) + delay_us
        offset.add(device_us, true_us + round(chance.expovariate(1 / jitter_us)))
        errors.append(offset.offset_us - (true_us - device_us))
    return errors


@pytest.mark.parametrize("millionths", [0, 50, -50, 200, -200])
def test_a_device_that_runs_fast_or_slow_is_followed_for_five_minutes(millionths: int) -> None:
    errors = run(300, millionths / 1e6)
    settled = errors[50 * 20 :]
    assert max(settled) - min(settled) < 5_000
    assert max(map(abs, settled)) < 4_000


def test_no_late_arrival_moves_it() -> None:
    offset = ClockOffset()
    for n in range(50 * 30):
        late = 900_000 if n % 400 == 399 else 0
        offset.add(n * 20_000, n * 20_000 + 5_000 + late)
        assert offset.offset_us == 5_000


def test_a_device_that_lost_samples_is_caught_up_with() -> None:
    offset = ClockOffset()
    for n in range(50 * 20):
        offset.add(n * 20_000, n * 20_000)
    for n in range(50 * 20, 50 * 25):
        offset.add(n * 20_000, n * 20_000 + 300_000)
    assert offset.offset_us == 300_000


def test_it_begins_with_what_it_is_told() -> None:
    offset = ClockOffset(3 * SECOND_US)
    assert offset.offset_us == 3 * SECOND_US
    offset.add(0, 7)
    assert offset.offset_us == 7
