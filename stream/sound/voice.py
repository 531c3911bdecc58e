"""The take's own sound: on both sides, without rumble, evened out where it needs it.

Nothing here is done for its effect. Common practice for recorded speech: a high-pass below the
voice; a slow rider on the fader where people stand at different distances, by half of what they
differ and never by much; nothing faster, so that a voice keeps its own life.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stream.sound.curve import Curve, Floats, smoothed, spread
from stream.sound.filters import Filters
from stream.sound.loudness import STEP_S, Meter
from stream.sound.placing import place
from stream.sound.samples import RATE, Spool
from stream.sound.timeline import Mark

# The lowest voices speak at about 80 Hz (common practice: the low cut of microphones for speech).
_LOW_CUT = ("highpass", "f=70:poles=2")
# chosen: a side so far below the other has no microphone on it.
_DEAD_DB = 40.0
# Quieter than this on the whole: nothing was said. A quiet room through a camera's microphone
# reads about -60 LUFS (from memory; common practice).
SILENT_TAKE_LUFS = -55.0
# The meter's block; less cannot be measured, BS.1770-5.
_LEAST_S = 0.4
# Steady sound of less than this is a room or a microphone's own noise, not somebody quiet: speech
# moves by 10 LU and more from syllable to pause, noise by one or two (chosen).
_NOISE_LUFS, _STEADY_LU = -35.0, 5.0
# A block counts as speech above the meter's own relative gate, BS.1770-5: 10 LU below the mean.
# Where the quiet between words allows it the gate goes down to 20 LU, for people further off, but
# stays well above that quiet (chosen).
_GATE_LU, _GATE_LOW_LU, _ABOVE_QUIET_LU = 10.0, 20.0, 8.0
# Rider: loudness of speech within so much time, half of what it differs, by at most so much.
_RIDE_OVER_S, _RIDE_SHARE, _RIDE_MOST_DB = 3.0, 0.6, 6.0
# chosen: people who differ by less are left as they are.
_RIDE_FROM_LU = 4.0


@dataclass(frozen=True)
class Voice:
    """What was measured of a take's own sound.

    Attributes:
        lufs: integrated loudness with the rider at work; None for silence or nearly so.
        speaks: (N,) whether somebody is loud enough to be followed, ten times a second.
        rider: the gain that evens it out, without a mean of its own.
        notes: for people.
    """

    lufs: float | None
    speaks: NDArray[np.bool_]
    rider: Curve
    notes: tuple[str, ...]


def _sides(spool: Spool) -> tuple[float, float]:
    """Which share of each side goes to itself; the rest comes from the other side."""
    power = np.zeros(2)
    for block in spool.blocks():
        part = block.astype(np.float64)
        power += ((part - part.mean(1, keepdims=True)) ** 2).sum(1)
    weak = int(np.argmin(power))
    if power[weak] > power[1 - weak] * 10.0 ** (-_DEAD_DB / 10.0) or power.max() <= 0.0:
        return 1.0, 1.0
    return (0.0, 1.0) if weak == 0 else (1.0, 0.0)


def lay_voice(
    heard: Spool,
    marks: Sequence[Mark],
    begin_s: float,
    end_s: float,
    make: Callable[[], Spool],
) -> tuple[Spool, list[str]]:
    """A part of the take's sound on the film's time line, on both sides and without rumble.

    Args:
        heard: the samples as recorded.
        marks: what the file says of them.
        begin_s: where the part begins on the take's time line.
        end_s: where it ends.
        make: makes an empty spool.

    Returns:
        A spool of exactly that part at 48 kHz, and notes.
    """
    notes = []
    done = make()
    with make() as placed:
        drift = place(heard, marks, begin_s, end_s, placed)
        if drift > 0.001:
            notes.append(
                f"The clock of the sound ran {drift * 100:.1f} % beside that of the picture; the "
                "sound was fitted to the picture."
            )
        left, right = _sides(placed)
        if not (left and right):
            side = "left" if left else "right"
            notes.append(f"Only the {side} channel of the take has sound; it is on both sides now.")
        mix = np.array([[left, 1.0 - left], [1.0 - right, right]], np.float32)
        low_cut = Filters([_LOW_CUT])
        for block in placed.blocks():
            for out, _ in low_cut.push(mix @ block):
                done.append(out)
        for out, _ in low_cut.close():
            done.append(out)
    return done, notes


def _middle(momentary: Floats) -> Floats:
    """Readings of the .4 s that end at each tenth, moved to the tenths that they are about."""
    # The reading n is of the time until (n + 1) tenths, so its middle lies at n - 1 tenths.
    return np.concatenate([momentary[1:], np.full(min(1, len(momentary)), -np.inf)])


def _rider(momentary: Floats, speaks: NDArray[np.bool_]) -> Curve:
    """The gain that brings people at different distances nearer to each other."""
    flat = Curve(np.zeros(max(1, len(momentary))))
    if speaks.sum() < _RIDE_OVER_S / STEP_S:
        return flat
    power = np.where(speaks, 10.0 ** (momentary / 10.0), 0.0)
    width = round(_RIDE_OVER_S / STEP_S)
    box = np.ones(width)
    total = np.convolve(power, box, mode="same")[: len(power)]
    count = np.convolve(speaks.astype(float), box, mode="same")[: len(power)]
    known = count >= 1.0
    at = np.arange(len(power))
    level = 10.0 * np.log10(total[known] / count[known])
    local = np.interp(at, at[known], level)
    if np.ptp(np.percentile(local[speaks], [10, 90])) < _RIDE_FROM_LU:
        return flat
    middle = 10.0 * np.log10(power.sum() / speaks.sum())
    gain = np.clip((middle - local) * _RIDE_SHARE, -_RIDE_MOST_DB, _RIDE_MOST_DB)
    return Curve(smoothed(gain, width))


def _why_not(samples: int, lufs: float | None, momentary: Floats) -> str:
    """Why a take's sound is left as loud as it is; empty where it is brought to a level."""
    if samples < _LEAST_S * RATE:
        return f"The take is shorter than {_LEAST_S:g} s; its sound was left as loud as it is."
    if lufs is None:
        return "The take is silent."
    if lufs < SILENT_TAKE_LUFS:
        return (
            f"The take is nearly silent ({lufs:.0f} LUFS, less than {SILENT_TAKE_LUFS:.0f}); its "
            "sound was not raised, since that would raise only noise."
        )
    whole = momentary[2:-3]  # readings that lie within the take
    if lufs < _NOISE_LUFS and len(whole):
        low, high = np.percentile(np.maximum(whole, -120.0), [10, 95])
        if high - low < _STEADY_LU:
            return (
                f"The take holds only a steady noise ({lufs:.0f} LUFS), as if silent; its sound "
                "was not raised."
            )
    return ""


def _gate(lufs: float, momentary: Floats) -> float:
    """The loudness above which somebody speaks."""
    quiet = float(np.percentile(np.maximum(momentary, -120.0), 5))
    return float(np.clip(quiet + _ABOVE_QUIET_LU, lufs - _GATE_LOW_LU, lufs - _GATE_LU))


def look(spool: Spool, seen: Callable[[int], None] = lambda _: None) -> Voice:
    """Measure a take's sound as it was laid.

    Args:
        spool: at 48 kHz, from the shown part's beginning to its end.
        seen: told how many samples were looked at.
    """
    meter = Meter(true_peak=False)
    for block in spool.blocks():
        meter.add(block)
        seen(block.shape[1])
    reading = meter.close()
    momentary = _middle(reading.momentary_lufs)
    lufs = reading.integrated_lufs
    why = _why_not(spool.samples, lufs, momentary)
    if lufs is None or why:
        return Voice(None, np.zeros(len(momentary), np.bool_), Curve(np.zeros(1)), (why,))
    speaks = momentary > _gate(lufs, momentary)
    rider = _rider(momentary, speaks)
    notes = []
    if np.ptp(rider.db) > 1.0:
        meter = Meter(true_peak=False)
        at = 0
        for block in spool.blocks():
            meter.add(rider.times(block, at))
            at += block.shape[1]
        lufs = meter.close().integrated_lufs or lufs
        notes.append(
            f"Voices of different loudness were brought nearer to each other, by up to "
            f"{np.abs(rider.db).max():.0f} dB."
        )
    return Voice(lufs, spread(speaks, 1, 1), rider, tuple(notes))
