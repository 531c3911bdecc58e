"""The durable queue: which shots and takes have a job, and how each job stands.

The store is dbos on SQLite in WAL mode, inside the event's folder. A job's id is the shot's
or take's id and its render count, so that asking twice, from any process, makes one job. Pictures
and films have a queue each, so that no picture stands behind a film.
"""

from __future__ import annotations

import atexit
import logging
import sqlite3
import threading
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from dbos import DBOS, DBOSClient, WorkflowSerializationFormat
from dbos import error as dbos_error
from sqlalchemy.engine import URL
from sqlalchemy.exc import SQLAlchemyError

from stream.batch.film_jobs import FilmJob, film_jobs, wants_films
from stream.batch.forecast import foretold
from stream.batch.pace import paces
from stream.batch.state import MOST_STARTS, State
from stream.durable import held, storing
from stream.errors import UserError
from stream.event import Event
from stream.shot import Shot, ShotError, load_shot, shot_ids
from stream.take import Take, load_take, replace_take
from stream.take.titling import titled

log = logging.getLogger("posewall.batch")
APPLICATION = "posewall"
# Recovery filters on it and its default is a hash of the code: fixed, so that an update of the
# program in the middle of an event strands nothing. Count up when a job's arguments change.
APPLICATION_VERSION = "1"
QUEUE = "pictures"
WORKFLOW = "render_shot"
FILM_QUEUE = "films"
FILM_WORKFLOW = "render_take"
# Nobody waits for the second in which a film of minutes begins; each look costs a little.
FILM_POLL_S = 1.0


class QueueError(UserError):
    """The queue's store cannot be used."""


@dataclass(frozen=True)
class Job:
    """How one shot's picture stands.

    Attributes:
        shot_id: the shot's id.
        shot: the shot; None where its record is damaged.
        state: where it is.
        why: the sentence of a failure.
        transient: the failure may pass by itself, such as a full disk.
        picture: file name below pictures/, once done; of several the one that was posed for.
        more: the others that were made of it.
        notes: warnings.
    """

    shot_id: str
    shot: Shot | None
    state: State
    why: str = ""
    transient: bool = False
    picture: str | None = None
    notes: tuple[str, ...] = ()
    more: tuple[str, ...] = ()

    @property
    def number(self) -> str:
        """The shot's running number, as it is written."""
        return self.shot_id.split("-")[0]

    @property
    def key(self) -> str:
        """Tells this making of the picture from one before or after it."""
        return self.shot.job if self.shot else self.shot_id

    @property
    def finished(self) -> bool:
        """Done or failed."""
        return self.state in (State.DONE, State.FAILED)


class _Forward(logging.Handler):
    """Hands the library's warnings to this program's own log."""

    def emit(self, record: logging.LogRecord) -> None:
        log.log(record.levelno, "queue store: %s", record.getMessage())


def quiet_library() -> None:
    """No banner and no console lines of the library; its warnings go to the program's log."""
    logger = logging.getLogger("dbos")
    if not any(isinstance(h, _Forward) for h in logger.handlers):
        # A handler that is there already keeps the library from adding one for the console.
        logger.handlers[:] = [_Forward(logging.WARNING)]
    logger.setLevel(logging.WARNING)
    logger.propagate = False


def store_url(path: Path) -> str:
    """The store's address; the folder may have any name."""
    return URL.create("sqlite", database=str(path)).render_as_string()


def prepare_store(path: Path) -> None:
    """Make the store or bring it up to date, in WAL mode; safe from several processes.

    Raises:
        QueueError: the file cannot be written or is no store.
    """
    quiet_library()
    try:
        with sqlite3.connect(path, timeout=30) as connection:
            connection.execute("PRAGMA journal_mode=wal")
        connection.close()
        DBOS.migrate(store_url(path))
    except (sqlite3.Error, SQLAlchemyError, OSError) as e:
        raise QueueError(_store_sentence(path, e)) from e


def _store_sentence(path: Path, error: Exception) -> str:
    cause = str(getattr(error, "orig", None) or error).splitlines()[0]
    return (
        f"the queue {path} cannot be used ({cause}); make room on the disk and check the right to "
        "write there. Shots that are kept stay kept and are queued when it works again."
    )


class JobQueue:
    """The queue of one event, seen from any process. Threads may share it."""

    def __init__(self, event: Event) -> None:
        self.event = event
        prepare_store(event.paths.queue)
        self._client = DBOSClient(
            system_database_url=store_url(event.paths.queue), application_name=APPLICATION
        )

    def close(self) -> None:
        """Let go of the store."""
        self._client.destroy()

    def __enter__(self) -> JobQueue:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def register(self, poll_s: float) -> None:
        """Tell the library how the queues are worked: one picture and one film at a time.

        Args:
            poll_s: how often the worker looks for pictures to make, seconds.
        """
        self._client.register_queue(QUEUE, worker_concurrency=1, polling_interval_sec=poll_s)
        self._client.register_queue(
            FILM_QUEUE, worker_concurrency=1, polling_interval_sec=max(poll_s, FILM_POLL_S)
        )

    def enqueue(self, shot: Shot) -> bool:
        """Queue a shot's picture; once, however often it is asked.

        Returns:
            False where the shot awaits its camera still or the choice of its best frame, and so
            was not queued.

        Raises:
            QueueError: the store did not take it. The shot itself stays kept, and a worker
                queues it later.
        """
        if shot.waits_until is not None:
            return False
        self._enqueue(WORKFLOW, QUEUE, shot.job, shot.id, shot.render)
        return True

    def enqueue_take(self, take: Take) -> bool:
        """Queue a take's films; once, however often it is asked.

        Returns:
            False where it is still being recorded, or no film is wanted of it.

        Raises:
            QueueError: the store did not take it. The take itself stays kept, and a worker
                queues it later.
        """
        if take.recording or not take.films:
            return False
        self._enqueue(FILM_WORKFLOW, FILM_QUEUE, take.job, take.id, take.render)
        return True

    def _enqueue(self, workflow: str, queue: str, job: str, *words: object) -> None:
        try:
            self._client.enqueue(
                {
                    "workflow_name": workflow,
                    "queue_name": queue,
                    "workflow_id": job,
                    "app_version": APPLICATION_VERSION,
                    "serialization_type": WorkflowSerializationFormat.PORTABLE,
                },
                *words,
            )
        except (SQLAlchemyError, OSError) as e:
            raise QueueError(_store_sentence(self.event.paths.queue, e)) from e

    def film_again(self, job: FilmJob) -> bool:
        """Let films that failed for a reason that may have passed go on where they stood.

        Returns:
            False where they are in work or done by now.

        Raises:
            QueueError: the store did not take it.
        """
        try:
            self._client.rewind_workflow(job.key, queue_name=FILM_QUEUE)
        except dbos_error.DBOSException:
            return False
        except (SQLAlchemyError, OSError) as e:
            raise QueueError(_store_sentence(self.event.paths.queue, e)) from e
        return True

    def known(self) -> set[str]:
        """Ids of all jobs that were ever queued, of shots and takes."""
        return set(self._rows((WORKFLOW, FILM_WORKFLOW), load_output=False))

    def picture_waits(self) -> bool:
        """Whether a shot's picture is queued or in work."""
        return bool(self._rows((WORKFLOW,), load_output=False, status=["ENQUEUED", "PENDING"]))

    def _rows(self, workflows: Sequence[str], *, load_output: bool, **more: Any) -> dict[str, Any]:
        try:
            rows = self._client.list_workflows(
                name=list(workflows), load_input=False, load_output=load_output, **more
            )
        except (SQLAlchemyError, OSError) as e:
            raise QueueError(_store_sentence(self.event.paths.queue, e)) from e
        return {row.workflow_id: row for row in rows}

    def films(self) -> list[FilmJob]:
        """How the films of every take of the event stand, in order, and when they are expected."""
        found = film_jobs(self.event, self._rows((FILM_WORKFLOW,), load_output=True))
        return foretold(found, paces(self.event))

    def jobs(self) -> list[Job]:
        """How every shot of the event stands, in order."""
        rows = self._rows((WORKFLOW,), load_output=True)
        found: list[Job] = []
        for shot_id in shot_ids(self.event):
            try:
                shot = load_shot(self.event, shot_id)
            except ShotError as e:
                found.append(Job(shot_id, None, State.FAILED, why=str(e)))
            else:
                found.append(_job(shot, rows.get(shot.job)))
        return found


def _job(shot: Shot, row: Any) -> Job:
    if shot.still_until is not None:
        return Job(shot.id, shot, State.AWAITS_STILL)
    if shot.choice_until is not None:
        return Job(shot.id, shot, State.AWAITS_CHOICE)
    if row is None or row.status in ("ENQUEUED", "DELAYED"):
        return Job(shot.id, shot, State.WAITING)
    if row.status == "PENDING":
        return Job(shot.id, shot, State.IN_WORK)
    if row.status == "SUCCESS" and isinstance(row.output, Mapping):
        notes = tuple(str(n) for n in row.output.get("notes", ()))
        if row.output.get("picture"):
            main = str(row.output["picture"])
            every = [str(p) for p in row.output.get("pictures", ())]
            more = tuple(p for p in every if p != main)
            return Job(shot.id, shot, State.DONE, picture=main, notes=notes, more=more)
        why, passing = str(row.output.get("why", "")), bool(row.output.get("transient"))
        return Job(shot.id, shot, State.FAILED, why=why, transient=passing, notes=notes)
    if row.status == "MAX_RECOVERY_ATTEMPTS_EXCEEDED":
        why = f"the program was stopped {MOST_STARTS} times in the middle of this picture"
        return Job(shot.id, shot, State.FAILED, why=why)
    return Job(shot.id, shot, State.FAILED, why=f"the job ended as {row.status} ({row.error})")


_open: dict[Path, JobQueue] = {}
_open_guard = threading.Lock()


def _opened(event: Event) -> JobQueue:
    """The event's queue, which stays open in this process for the next one."""
    with _open_guard:
        queue = _open.get(event.paths.root)
        if queue is None:
            queue = _open[event.paths.root] = JobQueue(event)
        return queue


def enqueue(event: Event, shot_id: str) -> bool:
    """Queue a kept shot; the event's queue stays open in this process for the next one.

    Raises:
        UserError: no such shot, or the store did not take it.
    """
    return _opened(event).enqueue(load_shot(event, shot_id))


def enqueue_take(event: Event, take_id: str) -> bool:
    """Queue the films of a kept take, named where they have no names yet.

    Returns:
        False where it is still being recorded, or the event wants no film unasked.

    Raises:
        UserError: no such take, or the store did not take it.
    """
    return _opened(event).enqueue_take(with_films(event, load_take(event, take_id)))


def with_films(event: Event, take: Take) -> Take:
    """The take with its films named, if it is recorded and the event wants any.

    Raises:
        UserError: the disk did not take it.
    """
    if take.films or not wants_films(event, take):
        return take
    with storing(f"the record of take {take.id}", event.paths.root), held(event.paths.lock):
        take = load_take(event, take.id)
        if take.recording or take.films:
            return take
        return replace_take(event, titled(event, take))


@atexit.register
def close_queues() -> None:
    """Let go of the queues that `enqueue` opened."""
    with _open_guard:
        for queue in _open.values():
            queue.close()
        _open.clear()
