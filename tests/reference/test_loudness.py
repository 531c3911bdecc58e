"""Loudness and true peak against the signals of EBU Tech 3341 and a second meter.

Sources: EBU Tech 3341 (November 2023), table 1, "Minimum requirements test signals": numbers 1 to
5, 12 and 15 to 19 (levels and answers from memory; those with more than two channels are left out,
since films are stereo); ITU-R BS.1770-5, whose algorithm the library pyloudnorm follows (Steinmetz
and Reiss, "pyloudnorm: A simple yet flexible loudness meter in Python", AES 150, 2021).
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import pyloudnorm
import pytest
from numpy.typing import NDArray

from stream.sound.loudness import Meter, Reading
from tests.stream.film.marked import speech

RATE = 48_000


def tone(parts: Sequence[tuple[float, float]]) -> NDArray[np.float32]:
    """1 kHz in both channels, in phase: levels of the peaks in dBFS, and seconds."""
    level = np.concatenate([np.full(round(s * RATE), 10 ** (db / 20)) for db, s in parts])
    wave = level * np.sin(2 * np.pi * 1000 * np.arange(len(level)) / RATE)
    return np.stack([wave, wave]).astype(np.float32)


def read(samples: NDArray[np.float32]) -> Reading:
    meter = Meter()
    for at in range(0, samples.shape[1], 10_007):
        meter.add(samples[:, at : at + 10_007])
    return meter.close()


@pytest.mark.parametrize(
    ("number", "parts", "lufs"),
    [
        (1, [(-23, 20)], -23.0),
        (2, [(-33, 20)], -33.0),
        (3, [(-36, 10), (-23, 60), (-36, 10)], -23.0),
        (4, [(-72, 10), (-36, 10), (-23, 60), (-36, 10), (-72, 10)], -23.0),
        (5, [(-26, 20), (-20, 20.1), (-26, 20)], -23.0),
    ],
)
def test_integrated_loudness(number: int, parts: list[tuple[float, float]], lufs: float) -> None:
    assert read(tone(parts)).integrated_lufs == pytest.approx(lufs, abs=0.1), number


def test_momentary_loudness() -> None:
    """Number 12: levels that change faster than the .4 s of a reading."""
    reading = read(tone([(-20, 0.18), (-30, 0.22)] * 25))
    assert reading.momentary_lufs[10:] == pytest.approx(-23.0, abs=0.1)


@pytest.mark.parametrize(
    ("number", "divisor", "degrees", "full_scale", "dbtp"),
    [
        (15, 4, 0.0, 0.5, -6.0),
        (16, 4, 45.0, 0.5, -6.0),
        (17, 6, 60.0, 0.5, -6.0),
        (18, 8, 67.5, 0.5, -6.0),
        (19, 4, 45.0, 1.41, 3.0),
    ],
)
def test_true_peak(
    number: int, divisor: int, degrees: float, full_scale: float, dbtp: float
) -> None:
    phase = 2 * np.pi * np.arange(RATE) / divisor + math.radians(degrees)
    wave = full_scale * np.sin(phase)
    # It comes and goes, so that nothing but the tone is measured.
    wave *= np.clip(np.minimum(np.arange(RATE), np.arange(RATE)[::-1]) / 2400, 0, 1)
    peak = read(np.stack([wave, wave]).astype(np.float32)).true_peak_dbtp
    assert peak is not None
    assert dbtp - 0.4 <= peak <= dbtp + 0.2, number


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_two_meters_agree_on_speech(seed: int) -> None:
    voice = speech(20.0, seed)
    both = np.stack([voice, 0.6 * voice])
    theirs = pyloudnorm.Meter(RATE).integrated_loudness(both.T.astype(np.float64))
    assert read(both).integrated_lufs == pytest.approx(theirs, abs=0.1)


def test_silence_has_no_loudness() -> None:
    reading = read(np.zeros((2, RATE), np.float32))
    assert (reading.integrated_lufs, reading.true_peak_dbtp) == (None, None)


def test_the_last_samples_count() -> None:
    wave = np.zeros((2, RATE + 17), np.float32)
    wave[:, -1] = 0.5
    peak = read(wave).true_peak_dbtp
    assert peak is not None
    assert peak == pytest.approx(-6.0, abs=0.5)
