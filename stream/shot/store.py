"""Shots on disk: each a folder that is whole under its name or not there.

A shot is written into ``shots/.partial-…``, every file fsynced, then renamed to its id and the
folder fsynced. Its number is given under the event's lock in that last moment, so a press that
fails uses none up. Only shot.json changes later, replaced as a whole.
"""

from __future__ import annotations

import hashlib
import logging
import re
import shutil
import time
import uuid
from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime
from fractions import Fraction
from pathlib import Path
from typing import Any, Protocol

from stream.capture.frame import Frame
from stream.capture.stills import read_still
from stream.durable import (
    commit_folder,
    copy_synced,
    file_digest,
    held,
    partial_path,
    storing,
    write_synced,
)
from stream.errors import UserError
from stream.event import Event
from stream.file_name import safe_name
from stream.shot.finding import shots
from stream.shot.frames import check_file, decode_frame, encode_frame, view_jpeg
from stream.shot.ordering import ordered
from stream.shot.plates import PLATE_RECORD
from stream.shot.record import RECORD, Shot, ShotError
from stream.shot.titling import output_of, titled
from stream.template import Nudge, Template

log = logging.getLogger("posewall.shot")
# chosen: the smallest that shows a figure at all; what is smaller came by mistake.
LEAST_SIDE = 16
NUMBERED = re.compile(r"\d{4,6}(?=[-.])")


class Settings(Protocol):
    """Anything that the keyer's settings are to this room."""

    def to_json(self) -> dict[str, object]: ...


def _next_number(event: Event) -> int:
    """One more than any number in use; the caller holds the lock.

    Pictures count too: a shot that was deleted must not hand its picture's name to another.
    """
    taken = [0]
    for folder in (event.paths.shots, event.paths.pictures):
        for path in folder.iterdir():
            match = NUMBERED.match(path.name)
            if match:
                taken.append(int(match[0]))
    return max(taken) + 1


def commit_shot(event: Event, partial: Path, draft: Shot) -> Shot:
    """Give a shot that lies ready in a folder its number and its name.

    Raises:
        OSError: the disk did not take it.
    """
    with held(event.paths.lock):
        number = _next_number(event)
        shot = replace(draft, number=number, id=f"{number:04d}-{draft.unique[:6]}")
        shot = titled(event, shot)
        write_synced(partial / RECORD, shot.to_bytes())
        commit_folder(partial, event.paths.shots / shot.id)
    log.info("kept shot %s (people %s)", shot.id, ",".join(shot.people) or "none")
    return shot


def draft_shot(
    event: Event,
    frame: Frame,
    file: str,
    *,
    people: Sequence[str],
    template: Template | str | None,
    plate: str | None,
    settings: Settings,
    mirror: bool,
    nudge: Nudge | None,
) -> Shot:
    """A shot that has no number yet; what is wrong beside its frame is noted with it.

    Args:
        event: where to.
        frame: the frame.
        file: its name inside the shot's folder.
        people, template, plate, settings, mirror, nudge: as of `save_shot`.

    Raises:
        UserError: the template is not there or cannot be used.
    """
    # The moment does not come again: what is wrong beside the frame is noted, not refused.
    wanted, notes = ordered(event, people, template)
    output: dict[str, Any] = dict(event.config.pictures)
    try:
        output_of(event, output)
    except UserError as e:
        notes.append(f"the usual form of pictures was used: {e}")
        output = {}
    if nudge is None:
        try:
            nudge = event.nudge(wanted[0].template)
        except UserError as e:
            notes.append(f"the subject was not moved: {e}")
    if plate is not None and not (event.paths.plates / plate / PLATE_RECORD).is_file():
        notes.append(f"the clean plate {plate} was no longer there; the screen is estimated")
        plate = None
    try:
        unknown = [p for p in people if event.roster.get(p) is None]
    except (UserError, OSError):
        notes.append("the roster could not be used, so that nothing was read of it")
        unknown = []
    if unknown:
        notes.append(f"number {', '.join(unknown)} was not on the roster")
    draft = Shot(
        id="",
        number=0,
        unique=uuid.uuid4().hex,
        taken=frame.taken,
        source=frame.source,
        frame=file,
        original=None,
        proxy=None,
        encoding=frame.encoding,
        quarter_turns=frame.quarter_turns,
        mirror=mirror,
        people=tuple(dict.fromkeys(people)),
        template="",
        template_version="",
        plate=plate,
        settings=settings.to_json(),
        picture="",
        output=output,
        nudge=nudge.to_json() if nudge not in (None, Nudge()) else {},
        notes=tuple(notes),
        pts=frame.pts,
        time_base=str(frame.time_base) if frame.time_base else None,
        index=frame.index,
    )
    return draft.wanting(wanted)


def save_shot(
    event: Event,
    frame: Frame,
    *,
    people: Sequence[str] = (),
    template: Template | str | None = None,
    plate: str | None = None,
    settings: Settings,
    mirror: bool = False,
    still_until: datetime | None = None,
    choice_until: datetime | None = None,
    notes: Sequence[str] = (),
    nudge: Nudge | None = None,
) -> Shot:
    """Keep a frame for good, with everything needed to render it again.

    When this returns, the shot survives a power cut. It is not queued yet: see
    `stream.batch.jobs.enqueue`, and not at all while a still or a choice is awaited.

    Args:
        event: where to.
        frame: the frame at full resolution; stored losslessly.
        people: roster numbers; several, one or none. One that the roster lacks is noted.
        template: a template from `Event.template`, a name, or None for the event's usual one.
        plate: id of the clean plate in use, or None. One that is not there is noted.
        settings: the key settings in use.
        mirror: the picture shows the frame flipped left to right.
        still_until: with a tethered camera, until when its still is awaited; aware.
        choice_until: until when its best frame may be chosen; aware.
        notes: warnings to keep with the shot.
        nudge: how far the subject is moved, the event's and the template's nudge included; None
            for those alone.

    Returns:
        The shot as kept.

    Raises:
        StorageError: the disk did not take it; nothing is left behind.
        UserError: the template is not there or cannot be used.
    """
    frame = frame.on_host()
    file, data = encode_frame(frame.planes, frame.encoding)
    with storing("this shot", event.paths.root):
        draft = draft_shot(
            event,
            frame,
            file,
            people=people,
            template=template,
            plate=plate,
            settings=settings,
            mirror=mirror,
            nudge=nudge,
        )
        digest = hashlib.sha256(data).hexdigest()
        draft = replace(
            draft,
            still_until=still_until,
            choice_until=choice_until,
            notes=(*draft.notes, *notes),
            sha256=digest,
        )
        partial = partial_path(event.paths.shots)
        try:
            partial.mkdir()
            write_synced(partial / file, data)
            view = view_jpeg(frame.planes, frame.encoding, frame.quarter_turns)
            write_synced(partial / "view.jpg", view)
            return commit_shot(event, partial, draft)
        except BaseException:
            shutil.rmtree(partial, ignore_errors=True)
            raise


def still_name(path: Path, unique: str) -> str:
    """The name under which a camera's file lies in a shot's or plate's folder."""
    stem = safe_name(path.stem) or unique[:6]
    return f"still-{stem}{path.suffix.lower()}"


def read_photo(path: Path) -> Frame:
    """A still that a picture can be made of.

    Raises:
        UserError: it cannot be read, or is too small to show anybody.
    """
    frame = read_still(path)
    height, width = frame.upright_size
    if min(height, width) < LEAST_SIDE:
        raise ShotError(
            f"{path}: is {width} x {height} pixels; a photograph needs at least {LEAST_SIDE} each "
            "way; give the camera's own file."
        )
    return frame


def add_still(
    event: Event,
    path: Path,
    *,
    people: Sequence[str] = (),
    template: Template | str | None = None,
    plate: str | None = None,
    settings: Settings,
    nudge: Nudge | None = None,
) -> tuple[Shot, bool]:
    """Make a shot from a file, which is copied in byte for byte.

    Args:
        event: where to.
        path: the file.
        people: roster numbers; several, one or none.
        template: as of `save_shot`; None for what its people ordered.
        plate: id of a clean plate, or None.
        settings: the key settings in use.
        nudge: as of `save_shot`.

    Returns:
        The shot, and whether it is new: the same file with the same people and template is
        there only once.

    Raises:
        StorageError: the disk did not take it; nothing is left behind.
        UserError: the file is no picture that can be read, or a tiny one.
    """
    frame = read_photo(path)
    with storing(f"the still {path.name}", event.paths.root):
        draft = draft_shot(
            event,
            frame,
            "",
            people=people,
            template=template,
            plate=plate,
            settings=settings,
            mirror=False,
            nudge=nudge,
        )
        digest = file_digest(path)
        for known in shots(event):
            same = (known.sha256, known.people, known.template)
            if same == (digest, draft.people, draft.template):
                return known, False
        name = still_name(path, draft.unique)
        draft = replace(draft, frame=name, original=name, sha256=digest)
        partial = partial_path(event.paths.shots)
        try:
            partial.mkdir()
            copy_synced(path, partial / name)
            return commit_shot(event, partial, draft), True
        except BaseException:
            shutil.rmtree(partial, ignore_errors=True)
            raise


def load_frame(event: Event, shot: Shot) -> Frame:
    """The frame that a shot's picture is made from, as it was.

    Raises:
        UserError: its file is missing or damaged.
    """
    path = event.paths.shots / shot.id / shot.frame
    check_file(path, shot.sha256)
    if shot.original is not None:
        return replace(read_still(path), source=shot.source)
    return Frame(
        planes=decode_frame(path, shot.encoding),
        encoding=shot.encoding,
        quarter_turns=shot.quarter_turns,
        pts=shot.pts,
        time_base=Fraction(shot.time_base) if shot.time_base else None,
        arrived_s=time.monotonic(),
        taken=shot.taken,
        source=shot.source,
        index=shot.index,
    )
