"""A clip file made into a take: its streams copied as they are."""

from __future__ import annotations

import os
import time
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import replace
from datetime import timedelta
from fractions import Fraction
from itertools import pairwise
from pathlib import Path

import av

from stream.capture.clip import Clip
from stream.capture.container import Container, Target
from stream.capture.frame import Frame
from stream.capture.media import Wall, local_now, log
from stream.capture.tap import SECOND_US, Piece, Streams
from stream.durable import write_synced
from stream.event import Event
from stream.shot.store import LEAST_SIDE
from stream.take.about import About, Settings, drafted, keep_new
from stream.take.backlog import Backlog
from stream.take.encoding import FrameEncoder
from stream.take.media_file import MediaFile
from stream.take.reading import TakeReader, measured
from stream.take.record import VIEW, Take, TakeError
from stream.take.time_line import own_us
from stream.template import Nudge, Template

Seen = Callable[[float], None]
"""Told of the seconds done so far."""
# chosen: pictures that wait for others are out of order within the first few.
_LOOKED_AT = 32
# chosen: frames in memory before the encoder is waited for.
_AHEAD_BYTES = 64 << 20
_SEEN_EVERY = 64


class _Copy:
    """A tap that writes what it is given; a clip whose packets cannot be copied is left."""

    wants_sound = True

    def __init__(self, path: Path) -> None:
        self._path = path
        self._file: MediaFile | None = None
        self.streams: Streams | None = None
        self.zero_us: int | None = None
        self._early: list[Piece] = []

    def refuse(self, why: str) -> None:
        raise TakeError(f"{why}.")

    def opened(self, streams: Streams, again: bool) -> None:
        self.streams = streams

    def took(self, pieces: Sequence[Piece], shift_us: int, frame: Frame | None) -> None:
        for piece in pieces:
            self._take(piece)

    def _take(self, piece: Piece) -> None:
        streams = self.streams
        if streams is None or streams.picture is None:
            return
        if self.zero_us is None:
            if piece.sound or not piece.key:
                self._early.append(piece)
                return
            self.zero_us = piece.at_us
            self._file = MediaFile(self._path, streams.picture, streams.sound)
            early, self._early = self._early, []
            self._take(piece)
            for sound in early:
                self._take(sound)
            return
        if piece.at_us >= self.zero_us and self._file is not None:
            self._file.write(piece.moved(-self.zero_us))

    @property
    def end_us(self) -> int:
        return self._file.end_us if self._file is not None else 0

    def close(self) -> bool:
        """Whether there is a file."""
        if self._file is None:
            return False
        self._file.finish()
        return True


def _first_frames(path: Path, wall: Wall) -> list[Frame]:
    """The first few, in the order in which they are shown.

    Raises:
        UserError: it is no clip that can be read, or a tiny one.
    """
    clip = Clip(path, paced=False, wall=wall)
    clip.open()
    try:
        found: list[Frame] = []
        while len(found) < _LOOKED_AT and (frame := clip.read()) is not None:
            # Only its times are wanted of all but the first.
            found.append(frame if not found else replace(frame, planes=found[0].planes))
    finally:
        clip.close()
    height, width = found[0].upright_size
    if min(height, width) < LEAST_SIDE:
        raise TakeError(
            f"{path}: is {width} x {height} pixels; a film needs at least {LEAST_SIDE} each way; "
            "give the camera's own file."
        )
    return found


def _in_order(frames: Sequence[Frame]) -> bool:
    times = [own_us(f) for f in frames]
    return all(a is not None and b is not None and a < b for a, b in pairwise(times))


def _copied(path: Path, media: Path, seen: Seen) -> tuple[int | None, str]:
    """Copy a clip's packets.

    Returns:
        The instant 0 of the new file on the clip's time line, None where its packets cannot be
        copied; and why sound that it has is not kept.
    """
    tap = _Copy(media)
    target = Target(f"file:{path}", path.name, options={"protocol_whitelist": "file"})
    container = Container(target, log.warning, tap=tap)
    try:
        gathering = container.gathering
        for count, _ in enumerate(container.packets()):
            if gathering is not None and count % _SEEN_EVERY == 0:
                gathering.hand(0, None)
                seen(tap.end_us / SECOND_US)
        if gathering is not None:
            gathering.hand(0, None)
    except (av.error.FFmpegError, OSError) as e:
        if isinstance(e, OSError) and not isinstance(e, av.error.FFmpegError):
            raise
        log.warning("%s: reading stopped (%s); what came before it is kept", path.name, e)
    finally:
        container.close()
    silent = tap.streams.silent if tap.streams is not None else ""
    return (tap.zero_us if tap.close() else None), silent


def _encoded(path: Path, media: Path, step_us: int | None, seen: Seen) -> None:
    """Compress a clip's frames, where packets cannot be copied; without sound.

    Args:
        path: the clip.
        media: the new file.
        step_us: so far apart are frames whose timestamps are wrong; None believes them.
        seen: told of the seconds done.
    """
    clip = Clip(path, paced=False)
    given, encoder, file, first_us = Backlog(4 * _AHEAD_BYTES), None, None, 0
    clip.open()
    try:
        index = 0
        while (frame := clip.read()) is not None:
            own = own_us(frame)
            at_us = own if step_us is None and own is not None else index * (step_us or 40_000)
            size = sum(p.nbytes for p in frame.planes)
            piece = Piece(at_us, at_us, 0, True, True, False, b"", frame=frame, size=size)
            given.put(piece)
            if encoder is None:
                first_us = at_us
                encoder = FrameEncoder(given, piece)
            while given.bytes > _AHEAD_BYTES and encoder.busy:
                time.sleep(0.01)
            file = _collect(encoder, file, media, first_us, 0.0)
            index += 1
            if index % _SEEN_EVERY == 0:
                seen((at_us - first_us) / SECOND_US)
        given.end("")
        while encoder is not None and (encoder.busy or encoder.out.bytes):
            file = _collect(encoder, file, media, first_us, 0.05)
    finally:
        clip.close()
        if encoder is not None:
            encoder.close()
        if file is not None:
            file.finish()


def _collect(
    encoder: FrameEncoder, file: MediaFile | None, media: Path, first_us: int, wait_s: float
) -> MediaFile | None:
    """Write what the encoder has given so far."""
    while (piece := encoder.out.get(wait_s)) is not None:
        if file is None and encoder.parameters is not None:
            file = MediaFile(media, encoder.parameters, None)
        if file is not None:
            file.write(piece.moved(-first_us))
    return file


def add_clip(
    event: Event,
    path: Path,
    *,
    settings: Settings,
    people: Sequence[str] = (),
    template: Template | str | None = None,
    plate: str | None = None,
    nudge: Nudge | None = None,
    mirror: bool = False,
    shapes: Sequence[str] | None = None,
    begin_s: float = 0.0,
    end_s: float | None = None,
    seen: Seen = lambda seconds: None,
    wall: Wall = local_now,
) -> Take:
    """Make a take of a clip file, whose picture and sound are copied without loss.

    Args:
        event: where to.
        path: the file.
        settings: the key settings in use.
        people, template, plate, nudge, mirror, shapes: as of `About`.
        begin_s: where what is shown begins, from the clip's first frame, in seconds.
        end_s: where it ends; None for the clip's end.
        seen: told of the seconds of the clip that are done.
        wall: the date and time, for a clip that does not say when it was recorded.

    Raises:
        StorageError: the disk did not take it; nothing is left behind.
        UserError: the file is no clip that can be read, or has no such part.
    """
    if begin_s < 0 or (end_s is not None and end_s <= begin_s):
        raise TakeError(
            f"{path}: a part from {begin_s:g} to {end_s if end_s is None else f'{end_s:g}'} s was "
            "asked for; it must begin at 0 or later and end after it begins."
        )
    first, *more = _first_frames(path, wall)
    about = About(settings, people, template, plate, mirror, nudge, shapes)
    draft = drafted(event, about, begun=first.taken, source=path.name, turns=first.quarter_turns)
    in_order = _in_order([first, *more])

    def fill(folder: Path, draft: Take) -> Take:
        def told(done_s: float) -> None:
            os.utime(folder)  # at work: not for another process to sweep away
            seen(done_s)

        media, first_us = folder / draft.file, own_us(first) or 0
        zero_us, silent = _copied(path, media, told) if in_order else (None, "")
        if zero_us is None:
            media.unlink(missing_ok=True)
            zero_us = first_us
            silent = "its packets cannot be copied, so that its picture was compressed anew"
            if not _has_sound(path):
                silent = ""
            _encoded(path, media, None if in_order else _step_us(path), told)
        shown_s = (first_us - zero_us) / SECOND_US
        _, length_s = measured(media)
        if not shown_s + begin_s < length_s:
            raise TakeError(
                f"{path}: is {length_s - shown_s:.1f} s long, and what is shown was to begin at "
                f"{begin_s:g} s; give an earlier begin."
            )
        end = None if end_s is None or shown_s + end_s >= length_s else shown_s + end_s
        take = replace(
            draft,
            recording=False,
            begun=draft.begun - timedelta(seconds=shown_s),
            begin_s=shown_s + begin_s,
            end_s=end,
            length_s=length_s,
        )
        if silent:
            take = take.noting(f"kept without sound: {silent}")
        reader = TakeReader(take, media)
        write_synced(folder / VIEW, reader.view())
        return replace(take, sound="the clip's own track" if reader.has_sound else "")

    return keep_new(event, draft, fill, shapes)


def _has_sound(path: Path) -> bool:
    with suppress(av.error.FFmpegError, OSError), av.open(str(path)) as container:
        return bool(container.streams.audio)
    return False


def _step_us(path: Path) -> int:
    rate: Fraction | None = None
    with suppress(av.error.FFmpegError, OSError), av.open(str(path)) as container:
        rate = container.streams.video[0].average_rate
    return round(SECOND_US / (rate or Fraction(25)))
