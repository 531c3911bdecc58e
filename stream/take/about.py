"""What a take is of: people, template, plate, settings."""

from __future__ import annotations

import logging
import shutil
import uuid
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import Protocol

from stream.durable import commit_folder, held, partial_path, storing, write_synced
from stream.errors import UserError
from stream.event import Event
from stream.shape import SHAPES
from stream.shot.ordering import ordered
from stream.shot.plates import PLATE_RECORD
from stream.shot.store import NUMBERED
from stream.take.finding import take_ids
from stream.take.record import MEDIA, RECORD, Take, TakeError
from stream.take.titling import titled
from stream.template import Nudge, Template

log = logging.getLogger("posewall.take")


class Settings(Protocol):
    """Anything that the keyer's settings are to this room."""

    def to_json(self) -> dict[str, object]: ...


@dataclass(frozen=True)
class About:
    """What is known of a take before it begins.

    Attributes:
        settings: the key settings in use.
        people: roster numbers; several, one or none. One that the roster lacks is noted.
        template: a template from `Event.template`, a name, or None for what its people ordered.
        plate: id of the clean plate in use, or None. One that is not there is noted.
        mirror: the films show it flipped left to right.
        nudge: how far the subject is moved, the event's and the template's nudge included; None
            for those alone.
        shapes: what films are to be made of it, of `SHAPES`; None for what the event says.
        notes: warnings to keep with it.
    """

    settings: Settings
    people: Sequence[str] = ()
    template: Template | str | None = None
    plate: str | None = None
    mirror: bool = False
    nudge: Nudge | None = None
    shapes: Sequence[str] | None = None
    notes: Sequence[str] = ()


def drafted(event: Event, about: About, *, begun: datetime, source: str, turns: int) -> Take:
    """A take's record before it has a number.

    Raises:
        UserError: the template that was chosen, or the event's usual one, cannot be used; or a
            shape that there is not.
    """
    for shape in about.shapes or ():
        if shape not in SHAPES:
            raise TakeError(f"a film cannot be '{shape}'; choose {' or '.join(SHAPES)}.")
    wanted, notes = ordered(event, about.people, about.template)
    nudge = about.nudge
    if nudge is None:
        try:
            nudge = event.nudge(wanted[0].template)
        except UserError as e:
            notes.append(f"the subject was not moved: {e}")
    plate = about.plate
    if plate is not None and not (event.paths.plates / plate / PLATE_RECORD).is_file():
        notes.append(f"the clean plate {plate} was no longer there; the screen is estimated")
        plate = None
    try:
        unknown = [p for p in about.people if event.roster.get(p) is None]
    except (UserError, OSError):
        notes.append("the roster could not be used, so that nothing was read of it")
        unknown = []
    if unknown:
        notes.append(f"number {', '.join(unknown)} was not on the roster")
    return Take(
        id="",
        number=0,
        unique=uuid.uuid4().hex,
        begun=begun,
        source=source,
        file=MEDIA,
        recording=True,
        sound="",
        quarter_turns=turns,
        mirror=about.mirror,
        people=tuple(dict.fromkeys(about.people)),
        template=wanted[0].template,
        template_version=wanted[0].template_version,
        plate=plate,
        settings=about.settings.to_json(),
        nudge=nudge.to_json() if nudge not in (None, Nudge()) else {},
        notes=(*notes, *about.notes),
    )


def _next_number(event: Event) -> int:
    """One more than any number in use; the caller holds the lock.

    Films count too: a take that was deleted must not hand its film's name to another.
    """
    taken = [0, *(int(i[1:].split("-")[0]) for i in take_ids(event))]
    if event.paths.films.is_dir():
        found = (NUMBERED.match(p.name) for p in event.paths.films.iterdir())
        taken += [int(m[0]) for m in found if m]
    return max(taken) + 1


def keep_new(
    event: Event,
    draft: Take,
    fill: Callable[[Path, Take], Take] | None = None,
    shapes: Sequence[str] | None = None,
    named: Callable[[Path], None] | None = None,
) -> Take:
    """Give a draft its number and keep it; it survives a power cut.

    Args:
        event: where to.
        draft: from `drafted`.
        fill: puts more into its folder, before that has its name; gives the draft to be kept.
        shapes: of the films of a take that is recorded already; None for what the event says.
        named: is given the folder once it has its name, under the event's lock.

    Raises:
        StorageError: the disk did not take it; nothing is left behind.
    """
    with storing("this take", event.paths.root):
        event.paths.takes.mkdir(exist_ok=True)
        partial = partial_path(event.paths.takes)
        try:
            partial.mkdir()
            draft = draft if fill is None else fill(partial, draft)
            with held(event.paths.lock):
                number = _next_number(event)
                take = replace(draft, number=number, id=f"t{number:04d}-{draft.unique[:6]}")
                if not take.recording:
                    take = titled(event, take, shapes)
                write_synced(partial / RECORD, take.to_bytes())
                commit_folder(partial, event.paths.takes / take.id)
                if named is not None:
                    named(event.paths.takes / take.id)
        except BaseException:
            shutil.rmtree(partial, ignore_errors=True)
            raise
    log.info("take %s is kept (people %s)", take.id, ",".join(take.people) or "none")
    return take
