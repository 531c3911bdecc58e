"""How loud sound is, by means that are not ours."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pyloudnorm

from tests.stream.film.marked import Floats, heard, write_sound

RATE = 48_000


def theirs(path: Path) -> float:
    """Integrated loudness by the other library's meter."""
    samples, _ = heard(path)
    return float(pyloudnorm.Meter(RATE).integrated_loudness(samples.T.astype(np.float64)))


def wave(path: Path, hz: float, seconds: float, level: float = 0.2, rate: int = RATE) -> Path:
    t = np.arange(round(seconds * rate)) / rate
    return write_sound(path, (level * np.sin(2 * np.pi * hz * t)).astype(np.float32), rate)


def level_db(samples: Floats, hz: float, begin_s: float, end_s: float) -> float:
    """The level of a tone in a part of some sound, dB."""
    part = samples[0, round(begin_s * RATE) : round(end_s * RATE)].astype(np.float64)
    n = np.arange(len(part))
    window = np.hanning(len(part))
    found = abs(np.sum(part * window * np.exp(-2j * np.pi * hz * n / RATE))) / window.sum() * 2
    return 20 * math.log10(found + 1e-12)
