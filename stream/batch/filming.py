"""One job: from a take's id to its films, which let every waiting picture go first."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from dbos import DBOS, WorkflowSerializationFormat

from models.errors import PosewallError
from stream.batch.answer import Answer, answered, failed, is_transient
from stream.batch.film_jobs import drop_share, write_share
from stream.batch.jobs import FILM_WORKFLOW, QueueError
from stream.batch.making import TURNS
from stream.batch.pace import Pace, note_pace
from stream.batch.state import MOST_STARTS
from stream.batch.turns import FilmTurn
from stream.durable import held, sync_folder
from stream.event import Event
from stream.film.owner import film_owner
from stream.film.progress import Progress, Stopped
from stream.prints.naming import inside, same_place
from stream.prints.picture import picture_owner
from stream.take import FilmWanted, Take, TakeError, load_take

if TYPE_CHECKING:
    from stream.film.render import FilmRenderer

SUPERSEDED = "asked for once more before it was made"
# chosen: a bar that moves twice a second looks alive.
TELL_S = 0.5
# chosen: half a second of film; the first frames take longer than those after them.
STEADY_FRAMES = 15
# chosen: asked for otherwise, a film is given up within a blink of an eye, beside its minutes.
LOOK_S = 2.0


class EndedError(BaseException):
    """The worker ends, and the film stays in work, for the next worker to go on with.

    The library writes down the outcome of every job but of one that ends like this.
    """


@dataclass
class FilmWork:
    """What film jobs in this process work with.

    Attributes:
        event: whose takes they are made of.
        device: where they are keyed.
        queued: whether a picture waits in the store.
        stop: whether the worker is to end.
    """

    event: Event
    device: str
    queued: Callable[[], bool]
    stop: Callable[[], bool]
    _renderer: FilmRenderer | None = field(default=None, init=False)
    _looked: float = field(default=0.0, init=False)
    _looked_at: str = field(default="", init=False)
    _other: bool = field(default=False, init=False)

    @property
    def renderer(self) -> FilmRenderer:
        """Makes the films; loaded with the first, since most evenings have pictures alone."""
        if self._renderer is None:
            from stream.film.render import FilmRenderer

            self._renderer = FilmRenderer(self.event, self.device)
        return self._renderer

    def superseded(self, take: Take) -> bool:
        """Whether the films of a take were asked for otherwise since; looked at now and then."""
        now = time.monotonic()
        # What was seen of another making says nothing of this one, however lately it was seen.
        if take.job != self._looked_at or now - self._looked >= LOOK_S:
            self._looked, self._looked_at = now, take.job
            try:
                self._other = load_take(self.event, take.id).render != take.render
            except TakeError:
                self._other = True
        return self._other


class Timing:
    """Tells others how far the films of a take are, and keeps how long they took.

    Args:
        event: whose take it is.
        take: as it is kept.
        clock: monotonic, seconds.
    """

    def __init__(
        self, event: Event, take: Take, clock: Callable[[], float] = time.monotonic
    ) -> None:
        self._event, self._take, self._clock = event, take, clock
        self._begun_s, self._aside_s, self._told_s = clock(), 0.0, float("-inf")
        self._before: int | None = None
        self._last: Progress | None = None

    def seen(self, progress: Progress) -> None:
        """Something of them is done."""
        if self._before is None and progress.total:
            # The first that is told is one more than what earlier runs have made.
            self._before = max(progress.done - 1, 0)
        self._last = progress
        if (now := self._clock()) - self._told_s >= TELL_S:
            self._told_s = now
            steady = self._before is not None and progress.done - self._before >= STEADY_FRAMES
            left_s = progress.seconds_left if steady else None
            write_share(self._event, self._take, progress.share, left_s)

    def aside(self, others: Callable[[], None]) -> None:
        """Let others go first; their time is not this one's."""
        before_s = self._clock()
        others()
        self._aside_s += self._clock() - before_s

    def over(self) -> None:
        """They are made. What an earlier run has made half of tells too little of the whole."""
        last, before = self._last, self._before
        length_s = self._take.shown_s
        if last is None or before is None or length_s is None or 2 * before > last.total:
            return
        took_s = self._clock() - self._begun_s - self._aside_s
        whole_s = took_s * last.total / max(last.total - before, 1)
        made = Pace(last.total, whole_s, length_s, self._take.template, len(self._take.films))
        note_pace(self._event, made)


def make_films(work: FilmWork, take: Take) -> Answer:
    """Make the films of a take and put them under their names.

    Doing it twice gives the same files under the same names.

    Raises:
        PosewallError, OSError: what kept one from being made.
        EndedError: the worker ends; what is done of them is kept.
    """
    event = work.event

    def ended() -> None:
        if work.stop():
            raise EndedError

    turn = FilmTurn(TURNS, work.queued, ended)
    turn.begin()
    timing = Timing(event, take)
    try:
        made = work.renderer.make(
            take,
            timing.seen,
            lambda: timing.aside(turn.between),
            lambda: work.stop() or work.superseded(take),
        )
    except Stopped as e:
        if work.stop():
            raise EndedError from e
        return failed(SUPERSEDED)
    finally:
        turn.end()
    timing.over()
    if take.former_films:
        with held(event.paths.lock):
            _remove_former(event, load_take(event, take.id))
    return {"films": list(made.films), "notes": list(made.notes)}


def _remove_former(event: Event, take: Take) -> None:
    """Remove the films under names before a correction; the caller holds the event's lock."""
    now = {same_place(n) for f in take.films for n in (f.film, f.poster)}
    for former in take.former_films:
        for name in (former, FilmWanted("", former).poster):
            old = inside(event.paths.films, name)
            if same_place(name) not in now and owner_of(old) == take.unique:
                old.unlink(missing_ok=True)
                sync_folder(old.parent)


def owner_of(path: Path) -> str | None:
    """The ``unique`` of the take whose film or poster a file is; None where it is none's."""
    return picture_owner(path) if path.suffix == ".jpg" else film_owner(path)


# The library runs module functions, by name, in any process: what they work on stands here.
_work: FilmWork | None = None


def use(work: FilmWork | None) -> None:
    """What film jobs in this process work with; None when they are over."""
    global _work
    _work = work


@DBOS.step(
    name="make_films",
    retries_allowed=True,
    interval_seconds=0.3,
    max_attempts=3,
    should_retry=is_transient,
)
def _step(take_id: str, render: int) -> Answer:
    work = _work
    if work is None:
        raise EndedError
    try:
        take = load_take(work.event, take_id)
        if take.render != render:
            return failed(SUPERSEDED)
        if take.recording:
            raise QueueError(f"take {take_id} is still being recorded.")
        try:
            return make_films(work, take)
        finally:
            drop_share(work.event, take)
    except PosewallError as e:
        if is_transient(e):
            raise
        return failed(str(e))


@DBOS.workflow(
    name=FILM_WORKFLOW,
    max_recovery_attempts=MOST_STARTS,
    serialization_type=WorkflowSerializationFormat.PORTABLE,
)
def render_take(take_id: str, render: int) -> Answer:
    """One job: whatever becomes of it, the answer says so and the next job starts."""
    root = _work.event.paths.root if _work else None
    return answered(lambda: _step(take_id, render), f"take {take_id}", "greeting", root)
