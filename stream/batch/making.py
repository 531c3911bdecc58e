"""One job: from a shot's id to its picture's file, and what to say when that fails."""

from __future__ import annotations

from collections.abc import Sequence

from dbos import DBOS, WorkflowSerializationFormat

from models.errors import PosewallError
from stream.batch.answer import Answer, answered, failed, is_transient
from stream.batch.jobs import WORKFLOW, QueueError
from stream.batch.render import Picture, Renderer
from stream.batch.state import MOST_STARTS
from stream.batch.turns import Turns
from stream.durable import held, make_folder, replace_file, sync_folder
from stream.event import Event
from stream.prints.about import About
from stream.prints.naming import inside
from stream.prints.output import Output
from stream.prints.picture import picture_bytes, picture_owner
from stream.shot import Shot, ShotError, load_shot, output_of


def make_pictures(renderer: Renderer, shot: Shot) -> Answer:
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
    refused: list[PosewallError] = []
    for wanted, picture in renderer.pictures(shot):
        if isinstance(picture, PosewallError):
            refused.append(picture)
            continue
        data = picture_bytes(picture.pixels, output, _about(event, shot, picture, output))
        target = inside(event.paths.pictures, wanted.picture)
        make_folder(target.parent)
        replace_file(target, data)
        notes += picture.notes
    if refused:
        raise refused[0]
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
TURNS = Turns()
"""Of this process: pictures and films are made one at a time."""


def use(renderer: Renderer | None) -> None:
    """What jobs in this process work with; None when they are over.

    Waits for the picture in work.

    Raises:
        QueueError: this process makes another event's pictures already.
    """
    global _renderer
    with TURNS.picture():
        if renderer is not None and _renderer is not None:
            raise QueueError("this process makes another event's pictures already.")
        _renderer = renderer


# Three tries within a second are for a hiccup; what lasts longer is tried again by the worker's
# sweep, so that meanwhile other shots get their turn.
@DBOS.step(
    name="make_picture",
    retries_allowed=True,
    interval_seconds=0.3,
    max_attempts=3,
    should_retry=is_transient,
)
def _step(shot_id: str, render: int) -> Answer:
    try:
        with TURNS.picture():
            if _renderer is None:
                raise QueueError("the worker of this process has ended.")
            shot = load_shot(_renderer.event, shot_id)
            if shot.render != render:
                return failed("asked for once more before it was made")
            return make_pictures(_renderer, shot)
    except PosewallError as e:
        if is_transient(e):
            raise
        return failed(str(e))


@DBOS.workflow(
    name=WORKFLOW,
    max_recovery_attempts=MOST_STARTS,
    serialization_type=WorkflowSerializationFormat.PORTABLE,
)
def render_shot(shot_id: str, render: int) -> Answer:
    """One job: whatever becomes of it, the answer says so and the next job starts."""
    root = _renderer.event.paths.root if _renderer else None
    return answered(lambda: _step(shot_id, render), f"shot {shot_id}", "picture", root)
