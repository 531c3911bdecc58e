"""Music of a greeting: which file, how loud beside the voice, where it comes and goes.

Levels by ear and common practice: 15 to 20 LU under a voice music is heard and every word is
understood; it falls before somebody speaks and comes back slowly, so that nobody notices.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from stream.sound.curve import NOTHING_DB, STEP_S, Curve, Floats, ramped, spread
from stream.sound.loudness import Meter
from stream.sound.placing import place
from stream.sound.playing import Playing
from stream.sound.samples import BLOCK, RATE, Block, Spool
from stream.sound.sound_file import NoSoundError, SoundError, read_sound
from stream.sound.timeline import end_s

# chosen: what is looped is laid over its own beginning for so long, so that no click is heard.
_CROSS_S = 0.05
# chosen: a tenth of a second of music is a mistake, not a loop.
_LEAST_S = 0.5
# Ducking, common practice: down within about half a second, back over more than one; it stays down
# between words.
_DOWN_DB_S, _UP_DB_S = 30.0, 12.0
_BEFORE_S, _AFTER_S = 0.2, 1.2


@dataclass(frozen=True)
class Music:
    """What plays under a film.

    Attributes:
        path: a file with sound.
        plays: how and when.
    """

    path: Path
    plays: Playing = field(default_factory=Playing)


@dataclass(frozen=True)
class LaidMusic:
    """Music on the film's time line.

    Attributes:
        spool: at 48 kHz, from the film's beginning, at its own level.
        lufs: integrated loudness of what is heard of it; None for silence.
        from_s: where it begins.
        to_s: where it ends.
    """

    spool: Spool
    lufs: float | None
    from_s: float
    to_s: float


def _once(music: Music, length: int, make: Callable[[], Spool]) -> Spool:
    """The file's samples from its beginning on, no more than ``length``.

    Raises:
        SoundError: it cannot be read or holds next to nothing.
    """
    done, plays = make(), music.plays
    with make() as heard:
        want_s = plays.begin_s + length / RATE
        try:
            marks = read_sound(music.path, heard, want_s + 1.0)
        except NoSoundError as e:
            raise SoundError(
                f"the music {music.path.name} holds no sound; need a sound file, such as WAV, "
                "FLAC, M4A or MP3; name another one"
            ) from e
        until_s = min(want_s, end_s(marks))
        if until_s - plays.begin_s < min(_LEAST_S, length / RATE):
            raise SoundError(
                f"the music {music.path.name} has {max(0.0, until_s - plays.begin_s):.1f} s of "
                f"sound after second {plays.begin_s:g}; need at least {_LEAST_S} s; use a longer "
                "piece or begin it earlier"
            )
        place(heard, marks, plays.begin_s, until_s, done)
    return done


def _looped(once: Spool, start: int, count: int) -> Block:
    """Samples of endless music: each round is laid over the end of the one before."""
    cross = min(round(_CROSS_S * RATE), once.samples // 4)
    period = once.samples - cross
    out = np.zeros((2, count), np.float32)
    for turn in range(start // period - 1, (start + count) // period + 1):
        begin = turn * period
        low, high = max(start, begin), min(start + count, begin + once.samples)
        if turn < 0 or low >= high:
            continue
        n = np.arange(low, high) - begin
        # Equal power where two rounds overlap; the first one comes as it is.
        gain = np.ones(len(n))
        if turn > 0:
            gain = np.where(n < cross, np.sin(np.pi / 2 * (n + 0.5) / cross), gain)
        left = once.samples - n - 0.5
        gain = np.where(left < cross, gain * np.sin(np.pi / 2 * left / cross), gain)
        part = once.read(low - begin, high - low)
        out[:, low - start : high - start] += (part * gain).astype(np.float32)
    return out


def lay_music(
    music: Music,
    length: int,
    make: Callable[[], Spool],
    seen: Callable[[int], None] = lambda _: None,
) -> LaidMusic:
    """Music on the time line of a film of ``length`` samples, looped or cut, without its fades.

    Args:
        music: what is wanted.
        length: samples of the film.
        make: makes an empty spool.
        seen: told how many samples were laid.

    Raises:
        SoundError: the file cannot be read or holds next to no sound.
    """
    plays = music.plays
    begin = min(length, max(0, round(plays.from_s * RATE)))
    stop = length if plays.to_s is None else min(length, max(begin, round(plays.to_s * RATE)))
    done = make()
    if stop <= begin:
        return LaidMusic(done, None, begin / RATE, begin / RATE)
    with _once(music, stop - begin, make) as once:
        if not plays.loop:
            stop = min(stop, begin + once.samples)
        done.silence(begin)
        meter = Meter(true_peak=False)
        for at in range(0, stop - begin, BLOCK):
            count = min(BLOCK, stop - begin - at)
            fits = at + count <= once.samples and stop - begin <= once.samples
            block = once.read(at, count) if fits else _looped(once, at, count)
            meter.add(block)
            done.append(block)
            seen(count)
    return LaidMusic(done, meter.close().integrated_lufs, begin / RATE, stop / RATE)


def _fade_db(share: Floats) -> Floats:
    """Decibels of a fade of which ``share`` is done, from 0 to 1: a raised cosine."""
    factor = np.sin(np.pi / 2 * np.clip(share, 0.0, 1.0)) ** 2
    db: Floats = np.maximum(NOTHING_DB, 20.0 * np.log10(np.maximum(factor, 1e-6)))
    return db


def music_curve(
    music: Music,
    laid: LaidMusic,
    voice_lufs: float,
    steps: int,
    take: tuple[float, float],
    speaks: NDArray[np.bool_],
) -> Curve:
    """The gain of music over a film.

    Args:
        music: what is wanted.
        laid: the music as it was laid.
        voice_lufs: what the voice comes to in the film; the level of all else.
        steps: how many tenths of a second the film has.
        take: seconds of the film at which the take begins and ends; equal for none.
        speaks: of the take, ten times a second, whether somebody speaks.
    """
    if laid.lufs is None:
        return Curve(np.full(1, NOTHING_DB))
    plays = music.plays
    t = np.arange(steps) * STEP_S
    under = np.full(steps, plays.card_lu)
    inside = (t >= take[0]) & (t < take[1])
    under[inside] = plays.pause_lu if speaks.any() else plays.card_lu
    talk = np.zeros(steps, np.bool_)
    if len(speaks):
        place = np.clip(np.round((t - take[0]) / STEP_S).astype(int), 0, len(speaks) - 1)
        talk = inside & speaks[place]
    talk = inside & spread(talk, round(_BEFORE_S / STEP_S), round(_AFTER_S / STEP_S))
    under[talk] = np.maximum(plays.under_lu, under[talk])
    db = ramped(voice_lufs - under - laid.lufs, _DOWN_DB_S * STEP_S, _UP_DB_S * STEP_S)
    if plays.fade_in_s > 0.0:
        db = db + _fade_db((t - laid.from_s) / plays.fade_in_s)
    if plays.fade_out_s > 0.0:
        db = db + _fade_db((laid.to_s - t) / plays.fade_out_s)
    return Curve(np.maximum(db, NOTHING_DB))
