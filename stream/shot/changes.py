"""What may change of a kept shot: its still, and its picture made once more.

Every change replaces shot.json as a whole, under the event's lock, so that live and batch may
both do it.
"""

from __future__ import annotations

import logging
from dataclasses import replace
from datetime import datetime
from pathlib import Path

from stream.durable import add_copy, file_digest, held, replace_file, storing
from stream.event import Event
from stream.shot.finding import load_shot
from stream.shot.record import RECORD, UNPAINTED, Shot, ShotError
from stream.shot.store import read_photo, still_name
from stream.shot.titling import another_edition, output_of, retitled

log = logging.getLogger("posewall.shot")
STILL_MISSED = "the camera's still did not come; the video frame was used"
CHOICE_MISSED = "its best frame could not be chosen; the frame of the press was used"
MASK_DROPPED = (
    "what was painted by hand was painted over the video frame and does not count for the still"
)


def rewrite(event: Event, shot: Shot) -> Shot:
    """Replace the record of a shot; the caller holds the event's lock."""
    replace_file(event.paths.shots / shot.id / RECORD, shot.to_bytes())
    return shot


def attach_original(event: Event, shot_id: str, still: Path, *, plate: str | None = None) -> Shot:
    """Give a shot the still that the tethered camera delivered for it.

    The still is read once before, so that a damaged one never takes the video frame's place.
    The video frame stays as the proxy. A still that comes after the video frame was settled on
    is taken all the same, and the picture is made once more under the same name.

    Args:
        event: the event.
        shot_id: the shot that awaits it.
        still: the complete file; it is copied, byte for byte.
        plate: id of a clean plate made with the same camera, where there is one.

    Raises:
        UserError: no such shot, it has a still already, the still cannot be read, or the disk
            did not take it; the shot stays as it was.
    """
    read_photo(still)
    with storing(f"the still of shot {shot_id}", event.paths.root), held(event.paths.lock):
        shot = load_shot(event, shot_id)
        digest = file_digest(still)
        if shot.original is not None:
            if shot.sha256 == digest:
                return shot
            raise ShotError(f"shot {shot.id} has its still already; keep this one as a new shot.")
        name = still_name(still, shot.unique)
        add_copy(still, event.paths.shots / shot.id / name)
        late = shot.still_until is None
        log.info("shot %s got its still%s", shot.id, " late" if late else "")
        if shot.mask or shot.matte or shot.retouch:
            shot = replace(shot.noting(MASK_DROPPED), **UNPAINTED)
        return rewrite(
            event,
            replace(
                shot,
                frame=name,
                original=name,
                proxy=shot.frame,
                sha256=digest,
                plate=plate or shot.plate,
                still_until=None,
                render=shot.render + 1 if late else shot.render,
                notes=tuple(n for n in shot.notes if n != STILL_MISSED),
            ),
        )


def settle(event: Event, shot_id: str, note: str | None = None) -> Shot:
    """Await nothing any longer: the shot's frame as it is now is used.

    Args:
        event: the event.
        shot_id: the shot; one that awaits nothing stays as it is.
        note: what is said of it with the shot; None for the usual words.
    """
    with storing(f"shot {shot_id}", event.paths.root), held(event.paths.lock):
        shot = load_shot(event, shot_id)
        if shot.waits_until is None:
            return shot
        note = note or (STILL_MISSED if shot.still_until else CHOICE_MISSED)
        log.warning("shot %s: %s", shot.id, note)
        return rewrite(event, replace(shot.noting(note), still_until=None, choice_until=None))


def wait_longer(event: Event, shot_id: str, until: datetime) -> None:
    """Whoever chooses a shot's best frame is still at work: nobody else is to give it up."""
    with storing(f"shot {shot_id}", event.paths.root), held(event.paths.lock):
        shot = load_shot(event, shot_id)
        if shot.choice_until is not None:
            rewrite(event, replace(shot, choice_until=until))


def render_again(event: Event, shot_id: str) -> Shot:
    """Ask for the pictures once more: names as the roster has them now, files as the event says.

    Pictures take the place of those before, but where [pictures] of the event has changed since:
    then those before stay.

    Raises:
        UserError: no such shot, the event's form of pictures cannot be used, or the disk did not
            take it.
    """
    with storing(f"shot {shot_id}", event.paths.root), held(event.paths.lock):
        shot = load_shot(event, shot_id)
        output = dict(event.config.pictures)
        output_of(event, output)
        if output != dict(shot.output):
            # A form for the lab must not take away the one that was handed on.
            return rewrite(event, another_edition(event, shot, replace(shot, output=output)))
        return rewrite(event, retitled(event, replace(shot, render=shot.render + 1)))
