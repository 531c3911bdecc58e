"""A mix brought to its loudness and its peaks held, in two passes or more, and written.

Sources: EBU R 128 (programme loudness by one gain for the whole, true peaks held), ITU-R BS.1770-5.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

import av
import numpy as np

from stream.sound.filters import Filters
from stream.sound.loudness import CEILING_DBTP, Meter, Reading
from stream.sound.samples import RATE, Block, Spool
from stream.whole_file import whole_file

# AAC adds its error to the peaks; chosen: measured on speech and music, see the tests.
_HELD_DBTP = CEILING_DBTP - 0.5
# chosen: no ear hears less.
_NEAR_LU = 0.1
_PEAK_NEAR_DB = 0.02
_MOST_ROUNDS = 8
# chosen: a mix that lost more than this to the limiter would sound squashed.
_MOST_LOST_DB = 6.0


@dataclass(frozen=True)
class Levelled:
    """What was done to a mix.

    Attributes:
        reading: of what was written.
        gain_db: by which all of it was raised.
        notes: for people.
    """

    reading: Reading
    gain_db: float
    notes: tuple[str, ...]


def _held(mix: Spool, gain_db: float, limit_db: float) -> Iterator[Block]:
    """The mix with a gain, its samples held below a limit; neither longer nor later."""
    limit = 10.0 ** (limit_db / 20.0)
    # "latency" gives back the time that the limiter looks ahead.
    said = f"limit={limit:.9f}:attack=5:release=60:level=0:latency=1"
    filters = Filters([("alimiter", said)])
    factor = np.float32(10.0 ** (gain_db / 20.0))
    for block in mix.blocks():
        for out, _ in filters.push(block * factor):
            yield out
    for out, _ in filters.close():
        yield out


def _read(mix: Spool, gain_db: float, limit_db: float, seen: Callable[[int], None]) -> Reading:
    meter = Meter()
    for block in _held(mix, gain_db, limit_db):
        meter.add(block)
        seen(block.shape[1])
    return meter.close()


def _write(blocks: Iterator[Block], out: Path, length: int, seen: Callable[[int], None]) -> None:
    """FLAC of 24 bit (RFC 9639), exactly ``length`` samples."""
    with (
        whole_file(out) as partial,
        av.open(f"file:{partial}", "w", format="flac", options={"fflags": "+bitexact"}) as file,
    ):
        stream = file.add_stream("flac", rate=RATE)
        stream.layout, stream.format = "stereo", "s32"
        at = 0
        for block in blocks:
            block = block[:, : length - at]
            whole = np.clip(np.rint(block.T.astype(np.float64) * 2**23), -(2**23), 2**23 - 1)
            packed = (whole.astype(np.int32) << 8).reshape(1, -1)
            frame = av.AudioFrame.from_ndarray(packed, "s32", "stereo")
            frame.sample_rate, frame.time_base, frame.pts = RATE, Fraction(1, RATE), at
            at += block.shape[1]
            file.mux(stream.encode(frame))
            seen(block.shape[1])
        file.mux(stream.encode(None))


def level(
    mix: Spool, goal_lufs: float | None, out: Path, seen: Callable[[int], None] = lambda _: None
) -> Levelled:
    """Bring a mix to a loudness and below the ceiling of its true peaks, and write it.

    Args:
        mix: the samples.
        goal_lufs: integrated loudness; None only holds the peaks.
        out: FLAC.
        seen: told how many samples each pass has gone through.

    Raises:
        OSError: the disk did not take it.
    """
    gain, limit = 0.0, _HELD_DBTP
    first: float | None = None
    notes: tuple[str, ...] = ()
    reading = _read(mix, gain, limit, seen)
    for _ in range(_MOST_ROUNDS):
        peak, loud = reading.true_peak_dbtp, reading.integrated_lufs
        over = 0.0 if peak is None else max(0.0, peak - _HELD_DBTP)
        off = 0.0 if loud is None or goal_lufs is None else goal_lufs - loud
        first = gain + off if first is None else first
        if gain + off > first + _MOST_LOST_DB:
            notes = (
                f"The sound came to {loud:.1f} LUFS in place of {goal_lufs:.1f}: single peaks "
                "stand far above the rest, and holding them down more would be heard.",
            )
            off = 0.0
        if over <= _PEAK_NEAR_DB and abs(off) <= _NEAR_LU:
            break
        gain, limit = gain + off, limit - (over if over > _PEAK_NEAR_DB else 0.0)
        reading = _read(mix, gain, limit, seen)
    _write(_held(mix, gain, limit), out, mix.samples, seen)
    return Levelled(reading, gain, notes)
