"""A clip file made into a take: its streams copied as they are, where they can be."""

from __future__ import annotations

import os
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import replace
from datetime import timedelta
from fractions import Fraction
from itertools import pairwise
from pathlib import Path

import av

from stream.capture.clip import Clip
from stream.capture.frame import Frame
from stream.capture.media import Wall, local_now
from stream.capture.tap import SECOND_US
from stream.durable import write_synced
from stream.event import Event
from stream.shot.store import LEAST_SIDE
from stream.take.about import About, Settings, drafted, keep_new
from stream.take.clip_copy import Copied, Seen, copied
from stream.take.clip_encoding import Steps, encoded
from stream.take.reading import TakeReader, measured
from stream.take.record import VIEW, Take, TakeError
from stream.take.time_line import own_us
from stream.template import Nudge, Template

# chosen: pictures that wait for others are out of order within the first few.
_LOOKED_AT = 32


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
        made = copied(path, media, told) if in_order else None
        if made is None:
            media.unlink(missing_ok=True)
            lost = encoded(path, media, None if in_order else _steps(path), told)
            draft = draft.noting(lost.missing) if lost.missing else draft
            made = Copied(first_us, None, lost.silent)
        shown_s = (first_us - made.zero_us) / SECOND_US
        _, length_s = measured(media)
        hidden_s = None if made.end_us is None else (made.end_us - made.zero_us) / SECOND_US
        until_s = length_s if hidden_s is None else hidden_s
        if not shown_s + begin_s < until_s:
            raise TakeError(
                f"{path}: is {until_s - shown_s:.1f} s long, and what is shown was to begin at "
                f"{begin_s:g} s; give an earlier begin."
            )
        end = hidden_s if end_s is None or shown_s + end_s >= until_s else shown_s + end_s
        take = replace(
            draft,
            recording=False,
            begun=draft.begun - timedelta(seconds=shown_s),
            begin_s=shown_s + begin_s,
            end_s=end,
            length_s=length_s,
        )
        if made.silent:
            take = take.noting(f"kept without sound: {made.silent}")
        reader = TakeReader(take, media)
        write_synced(folder / VIEW, reader.view())
        return replace(take, sound="the clip's own track" if reader.has_sound else "")

    return keep_new(event, draft, fill, shapes)


def _steps(path: Path) -> Steps:
    """How the frames of a clip follow each other, by what its picture stream says as a whole."""
    rate: Fraction | None = None
    start = Fraction(0)
    with suppress(av.error.FFmpegError, OSError), av.open(str(path)) as container:
        stream = container.streams.video[0]
        rate = stream.average_rate
        start = (stream.start_time or 0) * (stream.time_base or start)
    return Steps(round(start * SECOND_US), round(SECOND_US / (rate or Fraction(25))))
