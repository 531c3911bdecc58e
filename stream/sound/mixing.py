"""The sound of a greeting: the take's own in its place, music under it, at one loudness.

The order is that of a mixing desk (common practice): each sound is brought to its level, the two
are added, the sum is brought to the loudness that is wanted and its peaks are held. Loudness is
measured before and after (EBU R 128 asks for the loudness of the whole programme).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from stream.durable import storing
from stream.sound.curve import STEP_S, Curve
from stream.sound.levelling import level
from stream.sound.loudness import TARGET_LUFS, Loudness
from stream.sound.music import LaidMusic, Music, lay_music, music_curve
from stream.sound.samples import BLOCK, RATE, Spool
from stream.sound.sound_file import NoSoundError, SoundError, read_sound
from stream.sound.voice import Voice, lay_voice, look

Seen = Callable[[int, int], None]

# chosen: more lifts the noise of any microphone and room into what is heard.
_MOST_RAISED_DB = 30.0
# chosen: the take's sound comes and goes so fast at its cuts, too fast to hide a word.
_EDGE_S = 0.02
# How often all samples are gone through, about: decoded, laid, looked at, mixed, three times
# measured, written.
_PASSES = 8


class _Progress:
    """Counts samples of all passes for the one who waits."""

    def __init__(self, seen: Seen, samples: int) -> None:
        self._seen, self._of, self._done = seen, max(1, _PASSES * samples), 0

    def add(self, samples: int) -> None:
        self._done = min(self._of - 1, self._done + samples)
        self._seen(self._done, self._of)

    def end(self) -> None:
        self._seen(self._of, self._of)


@dataclass(frozen=True)
class _Own:
    """The take's own sound on its way.

    Attributes:
        spool: from the take's shown beginning; None without sound.
        voice: what was measured of it.
        gain_db: what it is raised by.
        notes: for people.
    """

    spool: Spool | None
    voice: Voice
    gain_db: float
    notes: tuple[str, ...]


_NOBODY = Voice(None, np.zeros(0, np.bool_), Curve(np.zeros(1)), ())


def _own(
    path: Path | None,
    begin_s: float,
    end_s: float,
    target_lufs: float,
    make: Callable[[], Spool],
    count: _Progress,
) -> _Own:
    """The take's own sound, laid and measured."""
    if path is None or end_s <= begin_s:
        return _Own(None, _NOBODY, 0.0, ())
    heard = make()
    reached = begin_s

    def said(at_s: float) -> None:
        nonlocal reached
        if begin_s < at_s < end_s and at_s > reached:
            count.add(round((at_s - reached) * RATE))
            reached = at_s

    try:
        marks = read_sound(path, heard, end_s + 2.0, said)
    except NoSoundError:
        return _Own(None, _NOBODY, 0.0, ("The take has no sound of its own.",))
    except SoundError as e:
        return _Own(None, _NOBODY, 0.0, (f"The take's sound cannot be read ({e}).",))
    if not marks:
        return _Own(None, _NOBODY, 0.0, ("The take's sound track is empty.",))
    spool, notes = lay_voice(heard, marks, begin_s, end_s, make)
    heard.close()
    count.add(spool.samples)
    voice = look(spool, count.add)
    if voice.lufs is None:
        return _Own(spool, voice, 0.0, (*notes, *voice.notes))
    gain = target_lufs - voice.lufs
    if gain > _MOST_RAISED_DB:
        notes.append(
            f"The take is very quiet ({voice.lufs:.0f} LUFS); it was raised by "
            f"{_MOST_RAISED_DB:.0f} dB and no further, since its noise comes with it."
        )
    return _Own(spool, voice, min(gain, _MOST_RAISED_DB), (*notes, *voice.notes))


def _mixed(
    own: _Own,
    laid: LaidMusic | None,
    music: Curve,
    at: int,
    length: int,
    out: Spool,
    seen: Callable[[int], None],
) -> None:
    """Add the two, each at its level."""
    factor = 10.0 ** (own.gain_db / 20.0)
    whole = 0 if own.spool is None else min(own.spool.samples, length - at)
    edge = min(round(_EDGE_S * RATE), whole // 4)
    for start in range(0, length, BLOCK):
        count = min(BLOCK, length - start)
        block = np.zeros((2, count), np.float32)
        if own.spool is not None and start + count > at:
            begin = start - at
            part = own.voice.rider.times(own.spool.read(begin, count), begin) * factor
            block += part * _edges(begin, count, whole, edge)
        if laid is not None:
            block += music.times(laid.spool.read(start, count), start)
        out.append(block)
        seen(count)


def _edges(begin: int, count: int, whole: int, edge: int) -> NDArray[np.float32]:
    """The gain of sound that comes and goes at its cuts, for samples from ``begin`` on."""
    n = np.arange(begin, begin + count)
    if not edge:
        return ((n >= 0) & (n < whole)).astype(np.float32)
    gain = np.minimum((n + 0.5) / edge, (whole - n - 0.5) / edge)
    return np.clip(gain, 0.0, 1.0).astype(np.float32)


def make_sound(
    take_sound: Path | None,
    begin_s: float,
    end_s: float,
    at_s: float,
    music: Music | None,
    length_s: float,
    out: Path,
    target_lufs: float = TARGET_LUFS,
    seen: Seen = lambda done, of: None,
) -> Loudness:
    """Make the whole sound of a film.

    Args:
        take_sound: the recording, its sound on the time line on which ``begin_s`` counts; None
            for a film without its own sound. One without a sound track, or with one that cannot
            be read, is none either, with a note.
        begin_s: second of the recording that is heard first.
        end_s: second of the recording at which it ends.
        at_s: second of the film at which ``begin_s`` is heard, to the sample.
        music: what plays under it.
        length_s: of the film; ``out`` has ``round(length_s * 48000)`` samples.
        out: FLAC, stereo, 48 kHz, 24 bit; whole or not there. Its folder's disk also takes the
            samples meanwhile, 400 kB for a second and each of four kinds.
        target_lufs: integrated loudness that is wanted.
        seen: told how much of how much is done. What it raises goes through; nothing half-made is
            left.

    Returns:
        What it came to, with sentences for people. Silence is not raised, nor what is too quiet
        to be raised without its noise.

    Raises:
        SoundError: the music cannot be read, or there is no film of that length.
        StorageError: the disk did not take it.
    """
    known = math.isfinite(length_s + begin_s + end_s + at_s)
    length = round(length_s * RATE) if known else 0
    if length < 1 or at_s < 0.0:
        raise SoundError(
            f"a film of {length_s:g} s with a take from {begin_s:g} to {end_s:g} s at {at_s:g} s "
            "has no sound; need a film that lasts, and a take that begins in it"
        )
    count = _Progress(seen, length)
    with storing("the greeting's sound", out.parent), ExitStack() as stack:

        def make() -> Spool:
            return stack.enter_context(Spool(out.parent))

        at = round(at_s * RATE)
        last_s = min(end_s, begin_s + (length - at) / RATE)
        own = _own(take_sound, begin_s, last_s, target_lufs, make, count)
        laid = None if music is None else lay_music(music, length, make, count.add)
        notes = list(own.notes)
        if laid is not None and laid.lufs is None and laid.to_s > laid.from_s:
            notes.append("The music is silent.")
        curve, goal = _plan(own, laid, music, target_lufs, length, at)
        mix = make()
        _mixed(own, laid, curve, at, length, mix, count.add)
        done = level(mix, goal, out, count.add)
        raised = None if own.voice.lufs is None else own.gain_db + done.gain_db
        count.end()
        return Loudness(
            done.reading.integrated_lufs,
            done.reading.true_peak_dbtp,
            raised,
            (*notes, *done.notes),
        )


def _plan(
    own: _Own,
    laid: LaidMusic | None,
    music: Music | None,
    target_lufs: float,
    length: int,
    at: int,
) -> tuple[Curve, float | None]:
    """The music's gain, and the loudness to bring the sum to; None leaves it as it is."""
    voice = own.voice
    spoken = voice.lufs is not None
    goal: float | None = target_lufs if spoken else None
    level_lufs = target_lufs
    if voice.lufs is not None and voice.lufs + own.gain_db < target_lufs - 0.05:
        goal, level_lufs = None, voice.lufs + own.gain_db
    if laid is None or music is None or laid.lufs is None:
        return Curve(np.zeros(1)), goal
    if not spoken:
        # Music alone: as loud as a voice would be, but silence stays silence here as well.
        level_lufs = min(target_lufs, laid.lufs + _MOST_RAISED_DB) + music.plays.card_lu
        goal = target_lufs if laid.lufs + _MOST_RAISED_DB >= target_lufs else None
    steps = math.ceil(length / RATE / STEP_S) + 1
    whole = 0 if own.spool is None else own.spool.samples
    take = (at / RATE, (at + whole) / RATE)
    return music_curve(music, laid, level_lufs, steps, take, voice.speaks), goal
