"""The clips' sound: a small plucked tune, a clap as the subject appears, a soft beep; and music.

Source of the plucked string: K. Karplus and A. Strong, "Digital Synthesis of Plucked-String and
Drum Timbres", Computer Music Journal 7(2), 1983: a burst of noise in a delay line, averaged.
"""

from __future__ import annotations

import wave
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[Any]

RATE = 48_000
BEAT_S = 0.375
# The tune, ours: semitones above D3, one a beat, None rests; a pentatonic walk of two bars.
TUNE = (0, 7, 12, 14, 16, 12, 9, 7, 4, 7, 12, 16, 19, 16, 14, None)
# Of the greeting's music: slow, over two strings that ring on; it ends where it begins.
SLOW = (12, None, 16, 19, None, 16, 14, None, 12, None, 9, 12, None, 7, 9, None)
BASS = (0, None, None, None, -3, None, None, None, 5, None, None, None, -5, None, None, None)


def pluck(frequency_hz: float, length_s: float, rng: np.random.Generator) -> Array:
    """One plucked string, (samples,) float32 within [-1, 1], dying away."""
    period = max(2, round(RATE / frequency_hz))
    string = rng.uniform(-1, 1, period).astype(np.float32)
    for _ in range(3):  # a soft finger: the burst loses its edge
        string = (string + np.roll(string, 1)) * np.float32(0.5)
    string -= string.mean()
    string /= np.abs(string).max() + np.float32(1e-6)
    turns = int(length_s * RATE / period) + 1
    out = np.empty((turns, period), np.float32)
    for turn in range(turns):
        out[turn] = string
        string = (string + np.roll(string, 1)) * np.float32(0.4985)
    samples = out.ravel()[: int(length_s * RATE)]
    fade = np.minimum(1, np.arange(len(samples), 0, -1) / (0.08 * RATE))
    return (samples * fade).astype(np.float32)


def _clap(rng: np.random.Generator) -> Array:
    t = np.arange(int(0.22 * RATE)) / RATE
    burst = sum(np.exp(-(t - d) * 90) * (t >= d) for d in (0.0, 0.011, 0.023))
    noise = rng.standard_normal(len(t))
    bright = noise - np.convolve(noise, np.ones(24) / 24, "same")
    return (bright * burst * 0.16).astype(np.float32)


def _beep() -> Array:
    t = np.arange(int(0.16 * RATE)) / RATE
    rise = np.sin(np.pi * np.clip(t / 0.16, 0, 1)) ** 2
    return (0.16 * rise * np.sin(2 * np.pi * 880 * t)).astype(np.float32)


def track(length_s: float, clap_s: float, seed: int = 31) -> Array:
    """The whole track.

    Args:
        length_s: seconds.
        clap_s: when the clap falls; the beep comes half a second before.
        seed: of the strings' noise.

    Returns:
        (2, samples) float32 in [-1, 1], left and right, 48 kHz.
    """
    rng = np.random.default_rng(seed)
    total = round(length_s * RATE)
    out = np.zeros((2, total), np.float32)
    _play(out, TUNE, length_s, rng)
    _add(out, _beep(), max(0.0, clap_s - 0.5), 1, 1)
    _add(out, _clap(rng), clap_s, 0.9, 1)
    fade = np.minimum(1, np.arange(total, 0, -1) / (0.6 * RATE)).astype(np.float32)
    held: Array = np.tanh(out * fade * np.float32(1.1)).astype(np.float32)
    return held


def _add(out: Array, sound: Array, at_s: float, left: float, right: float) -> None:
    """Lay a sound into (2, samples) from a time on."""
    first = round(at_s * RATE)
    part = sound[: max(0, out.shape[1] - first)]
    out[0, first : first + len(part)] += part * np.float32(left)
    out[1, first : first + len(part)] += part * np.float32(right)


def _play(
    out: Array, tune: Sequence[int | None], length_s: float, rng: np.random.Generator
) -> None:
    """Play a tune over the bass for so long, again and again."""
    strings: dict[tuple[int, bool], Array] = {}
    beat = 0
    while beat * BEAT_S < length_s:
        for notes, low in ((tune, False), (BASS, True)):
            note = notes[beat % len(notes)]
            if note is None:
                continue
            if (note, low) not in strings:
                hertz = 146.83 * 2 ** (note / 12) * (0.5 if low else 1)
                strings[note, low] = pluck(hertz, 2.4 if low else 1.7, rng)
            swing = 0.3 * np.sin(beat * 0.9)
            loud = 0.30 if low else 0.22
            # Hands are never exact: a few milliseconds either way.
            at_s = beat * BEAT_S + 0.006 * (1 + np.sin(beat * 2.3))
            _add(out, strings[note, low], at_s, loud * (1 - swing), loud * (1 + swing))
        beat += 1


def write_music(path: Path, seed: int = 47) -> None:
    """Music to speak over, as a WAV file that can be played again and again without a gap.

    Args:
        path: the new file.
        seed: of the strings' noise.
    """
    once = len(SLOW) * BEAT_S
    rng = np.random.default_rng(seed)
    # Played twice, the second time is kept: what still rang from the first is in it.
    out = np.zeros((2, 2 * round(once * RATE)), np.float32)
    _play(out, SLOW, 2 * once, rng)
    held = np.tanh(out[:, out.shape[1] // 2 :] * np.float32(1.1))
    codes = np.clip(np.rint(held.T * 32767), -32768, 32767).astype("<i2")
    with wave.open(str(path), "wb") as file:
        file.setnchannels(2)
        file.setsampwidth(2)
        file.setframerate(RATE)
        file.writeframes(codes.tobytes())
