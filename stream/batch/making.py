"""One job: from a shot's id to its picture's file, and what to say when that fails."""

from __future__ import annotations

import errno
import logging
import threading
import traceback
from collections.abc import Sequence
from typing import Any

import torch
from dbos import DBOS, WorkflowSerializationFormat
from dbos import error as dbos_error

from models.errors import PosewallError
from stream.batch.jobs import MOST_STARTS, WORKFLOW, QueueError
from stream.batch.render import Picture, Renderer
from stream.durable import (
    StorageError,
    held,
    make_folder,
    replace_file,
    storage_sentence,
    sync_folder,
)
from stream.event import Event
from stream.people import RosterError
from stream.prints.about import About
from stream.prints.naming import inside
from stream.prints.output import Output
from stream.prints.picture import picture_bytes, picture_owner
from stream.shot import Shot, ShotError, load_shot, output_of

log = logging.getLogger("posewall.batch")
_PASSING = frozenset(
    {
        *(errno.ENOSPC, errno.EDQUOT, errno.EIO, errno.EAGAIN, errno.EBUSY, errno.EMFILE),
        *(errno.ENFILE, errno.ENOMEM, errno.ETIMEDOUT, errno.ESTALE, errno.EINTR),
    }
)


def is_transient(error: BaseException) -> bool:
    """Whether the same job may well succeed a little later."""
    if isinstance(error, OSError):
        return error.errno in _PASSING
    return isinstance(
        error, MemoryError | torch.OutOfMemoryError | StorageError | QueueError | RosterError
    )


def make_pictures(renderer: Renderer, shot: Shot) -> dict[str, Any]:
    """Render a shot and put its pictures under their names.

    Doing it twice gives the same files under the same names.

    Raises:
        PosewallError, OSError: what kept one from being made; the others are there.
    """
    event = renderer.event
    for wanted in shot.wanted:
        target = inside(event.paths.pictures, wanted.picture)
        if target.exists() and picture_owner(target) != shot.unique:
            raise ShotError(
                f"pictures/ has a file that begins with {shot.number:04d} and has the name of this "
                "shot's picture, but is not this shot's picture; move it elsewhere and render the "
                "shot again."
            )
    output = output_of(event, shot.output)
    notes: list[str] = []
    failed: list[PosewallError] = []
    for wanted, picture in renderer.pictures(shot):
        if isinstance(picture, PosewallError):
            failed.append(picture)
            continue
        data = picture_bytes(picture.pixels, output, _about(event, shot, picture, output))
        target = inside(event.paths.pictures, wanted.picture)
        make_folder(target.parent)
        replace_file(target, data)
        notes += picture.notes
    if failed:
        raise failed[0]
    names = [w.picture for w in shot.wanted]
    if any(w.former for w in shot.wanted):
        with held(event.paths.lock):
            _remove_former(event, load_shot(event, shot.id), names)
    return {"picture": shot.picture, "pictures": names, "notes": list(dict.fromkeys(notes))}


def _remove_former(event: Event, shot: Shot, made: Sequence[str]) -> None:
    """Remove the pictures under names before a correction; the caller holds the event's lock.

    Args:
        event: the event.
        shot: as it is now: keyed otherwise meanwhile, a former picture may be one that stays.
        made: names that have just been given.
    """
    stays = [inside(event.paths.pictures, n) for n in (*made, *shot.earlier_names)]
    for former in (f for w in shot.wanted for f in w.former):
        old = inside(event.paths.pictures, former)
        if picture_owner(old) != shot.unique:
            continue
        # Where capitals count for nothing, two spellings of a name are one file.
        if any(path.exists() and old.samefile(path) for path in stays):
            continue
        old.unlink(missing_ok=True)
        sync_folder(old.parent)


def _about(event: Event, shot: Shot, picture: Picture, output: Output) -> About:
    """What is written into a picture's file; people only where the event allows it."""
    people = (event.roster.get(number) for number in shot.people) if output.names else ()
    return About(
        picture.ppi,
        picture.taken,
        shot.unique,
        event.name,
        tuple(p.shown_name for p in people if p and p.shown_name),
        shot.id,
        picture.made.bleed_px,
        picture.made.trim_in,
    )


# The library runs module functions, by name, in any process: what they work on stands here.
_renderer: Renderer | None = None
_one_at_a_time = threading.Lock()


def use(renderer: Renderer | None) -> None:
    """What jobs in this process work with; None when they are over.

    Waits for the picture in work.

    Raises:
        QueueError: this process makes another event's pictures already.
    """
    global _renderer
    with _one_at_a_time:
        if renderer is not None and _renderer is not None:
            raise QueueError("this process makes another event's pictures already.")
        _renderer = renderer


def _failed(why: str, transient: bool = False) -> dict[str, Any]:
    return {"why": why, "transient": transient}


# Three tries within a second are for a hiccup; what lasts longer is tried again by the worker's
# sweep, so that meanwhile other shots get their turn.
@DBOS.step(
    name="make_picture",
    retries_allowed=True,
    interval_seconds=0.3,
    max_attempts=3,
    should_retry=is_transient,
)
def _step(shot_id: str, render: int) -> dict[str, Any]:
    try:
        with _one_at_a_time:
            if _renderer is None:
                raise QueueError("the worker of this process has ended.")
            shot = load_shot(_renderer.event, shot_id)
            if shot.render != render:
                return _failed("asked for once more before it was made")
            return make_pictures(_renderer, shot)
    except PosewallError as e:
        if is_transient(e):
            raise
        return _failed(str(e))


@DBOS.workflow(
    name=WORKFLOW,
    max_recovery_attempts=MOST_STARTS,
    serialization_type=WorkflowSerializationFormat.PORTABLE,
)
def render_shot(shot_id: str, render: int) -> dict[str, Any]:
    """One job: whatever becomes of it, the answer says so and the next job starts."""
    last: BaseException | None = None
    try:
        result = _step(shot_id, render)
    except dbos_error.DBOSMaxStepRetriesExceeded as e:
        last = e.errors[-1] if e.errors else e
        result = _failed(_sentence(last), transient=True)
    except OSError as e:
        # Its message may hold the picture's file name, and that a person's; where it was does not.
        where = "".join(traceback.format_tb(e.__traceback__))
        log.error("shot %s: %s at\n%s", shot_id, type(e).__name__, where)
        result = _failed(_sentence(e), transient=is_transient(e))
    except Exception as e:
        log.exception("shot %s: the program failed", shot_id)
        result = _failed(_sentence(e), transient=is_transient(e))
    if "picture" in result:
        log.info("shot %s: picture done", shot_id)
    else:
        why = last.logged if isinstance(last, RosterError) else result["why"]
        log.warning("shot %s: %s", shot_id, why)
    return result


def _sentence(error: BaseException) -> str:
    if isinstance(error, PosewallError):
        return str(error)
    if isinstance(error, OSError) and _renderer is not None:
        return storage_sentence(error, "the picture", _renderer.event.paths.root)
    if isinstance(error, MemoryError | torch.OutOfMemoryError):
        return "not enough memory for this picture; close other programs and render it again."
    return (
        f"the program failed on this shot ({type(error).__name__}: {error}); posewall.log has the "
        "details, the shot itself is safe."
    )
