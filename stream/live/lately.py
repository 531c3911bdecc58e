"""The last shots and takes, and how their pictures and films stand, for the operator's page."""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable, Iterable
from typing import TYPE_CHECKING, Any

from stream.event import Event
from stream.shot import Shot, ShotError, shots
from stream.shot.choice import load_choice
from stream.take import Take, takes

if TYPE_CHECKING:
    from stream.batch import Job, JobQueue
    from stream.batch.film_jobs import FilmJob

log = logging.getLogger("posewall.live")
SHOWN = 8
# chosen: made one after the other, the greetings of an hour are about so many.
SHOWN_TAKES = 12
# chosen: a picture takes seconds to make; asking more often would read the store for nothing.
ASK_EVERY_S = 1.5

WORDS = {
    "AWAITS_STILL": "still",
    "AWAITS_CHOICE": "choosing",
    "RECORDING": "recording",
    "UNASKED": "kept",
    "WAITING": "queued",
    "IN_WORK": "working",
    "DONE": "done",
    "FAILED": "failed",
}
"""By the name of a job's `State`."""


def _who(event: Event, people: Iterable[str]) -> str:
    """Who is in it, for the operator; a name that is not to be shown stays off the list."""
    found = (event.roster.get(number) for number in people)
    return ", ".join(p.shown_name or f"{p.number} (name not shown)" for p in found if p)


def _row(event: Event, shot: Shot) -> dict[str, Any]:
    try:
        choice = load_choice(event, shot.id)
    except ShotError as error:
        log.warning("%s", error)
        choice = None
    return {
        "id": shot.id,
        "time": shot.taken.astimezone().strftime("%H:%M:%S"),
        "who": _who(event, shot.people),
        "template": shot.template,
        "state": "still" if shot.still_until else "choosing" if shot.choice_until else "kept",
        "why": "",
        "notes": list(shot.notes),
        # Which of how many frames beside it is in use.
        "place": choice.place(shot.frame) if choice is not None else None,
        "frames": len(choice.candidates) if choice is not None else 0,
    }


def _take_row(event: Event, take: Take) -> dict[str, Any]:
    return {
        "id": take.id,
        "time": take.begun.astimezone().strftime("%H:%M:%S"),
        "who": _who(event, take.people),
        "template": take.template,
        "length_s": take.shown_s,
        "state": "recording" if take.recording else "kept",
        "share": None,
        # When its greeting may be expected, for people.
        "expected": "",
        "ahead": 0,
        "why": "",
        "notes": list(take.notes),
        "films": [],
        # In which shapes its greeting can be played.
        "shapes": [],
        # Tells them from those of an earlier making.
        "making": take.render,
    }


class Lately:
    """Newest first. `refresh` does the reading, off the loop; `rows` only looks.

    Args:
        event: whose they are.
        clock: monotonic, seconds.
        made_here: this program has the greetings made, too.
    """

    def __init__(
        self, event: Event, clock: Callable[[], float] = time.monotonic, made_here: bool = True
    ) -> None:
        self._event, self._made_here = event, made_here
        self._clock = clock
        self._films: list[FilmJob] = []
        # Some wait, and go before greetings.
        self._pictures = False
        self._lock = threading.Lock()
        self._rows = [_row(event, shot) for shot in list(shots(event))[-SHOWN:]][::-1]
        self._takes = [_take_row(event, take) for take in list(takes(event))[-SHOWN_TAKES:]][::-1]
        self._finished: set[str] = set()
        self._asked_s: float | None = None
        self._queue: JobQueue | None = None

    def rows(self) -> list[dict[str, Any]]:
        """The last shots as JSON values."""
        with self._lock:
            return [dict(row) for row in self._rows]

    def takes(self) -> list[dict[str, Any]]:
        """The last takes as JSON values."""
        with self._lock:
            return [dict(row) for row in self._takes]

    def kept(self, shot: Shot) -> None:
        """A shot was just kept."""
        row = _row(self._event, shot)
        with self._lock:
            self._finished.discard(shot.id)  # it may be made once more
            newer = [r for r in self._rows if r["id"] > shot.id]
            older = [r for r in self._rows if r["id"] < shot.id]
            self._rows = [*newer, row, *older][:SHOWN]

    def recorded(self, take: Take) -> None:
        """A take was just kept."""
        row = _take_row(self._event, take)
        with self._lock:
            self._takes = [row, *(r for r in self._takes if r["id"] != take.id)][:SHOWN_TAKES]

    def greeting(self, take: Take) -> str:
        """When the greeting of a take that was just kept may be expected, for people.

        Returns:
            Words; empty where none is made of it.
        """
        # The queue's libraries: not before the picture.
        from stream.batch.film_jobs import FilmJob, wants_films
        from stream.batch.forecast import expected, foretold
        from stream.batch.pace import paces
        from stream.batch.state import State

        if not (take.films or wants_films(self._event, take)):
            return ""
        with self._lock:
            others = [job for job in self._films if job.take_id != take.id]
            pictures = self._pictures
        own = FilmJob(take.id, take, State.WAITING)
        told = foretold([*others, own], paces(self._event))[-1]
        words = expected(told.left_s, told.ahead, pictures)
        if self._made_here:
            return words if told.left_s is None else f"its greeting may be expected in {words}"
        then = words if told.left_s is None else f"it may then be expected in {words}"
        return f"its greeting waits until 'posewall batch run' runs; {then}"

    def refresh(self) -> bool:
        """Ask the queue, when it is time and something is open; True when it was asked.

        Raises:
            UserError: the queue cannot be read.
        """
        now = self._clock()
        with self._lock:
            every = [r["id"] for r in (*self._rows, *self._takes)]
            # Those that are not shown any more are waited for by those that are.
            still = [job for job in self._films if not job.finished]
        if all(i in self._finished for i in every) and not still:
            return False
        if self._asked_s is not None and now - self._asked_s < ASK_EVERY_S:
            return False
        self._asked_s = now
        if self._queue is None:
            from stream.batch import JobQueue  # the queue's libraries: not before the picture

            self._queue = JobQueue(self._event)
        pictures = {job.shot_id: job for job in self._queue.jobs()}
        found = self._queue.films() if self._takes else []
        films = {job.take_id: job for job in found}
        with self._lock:
            self._films = found
            self._pictures = any(WORDS[job.state.name] == "queued" for job in pictures.values())
            for row in self._rows:
                if (job := pictures.get(row["id"])) is not None:
                    self._stands(row, job)
            for row in self._takes:
                if (film := films.get(row["id"])) is not None:
                    self._stands(row, film)
                    self._plays(row, film)
        return True

    def _plays(self, row: dict[str, Any], job: FilmJob) -> None:
        """When a take's films are expected, or that they are there."""
        from stream.batch.forecast import awaited

        row["share"], row["films"] = job.share, list(job.films)
        row["expected"] = awaited(job)
        if row["state"] == "queued" and not self._made_here:
            row["expected"] += "; it waits until 'posewall batch run' runs"
        row["ahead"] = job.ahead
        wanted = job.take.films if job.take is not None else ()
        row["shapes"] = [film.shape for film in wanted if film.film in job.films]
        row["making"] = job.take.render if job.take is not None else 0

    def _stands(self, row: dict[str, Any], job: Job | FilmJob) -> None:
        row["state"] = WORDS[job.state.name]
        row["why"], row["notes"] = job.why, list(job.notes)
        if job.finished and not job.transient:
            self._finished.add(row["id"])

    def close(self) -> None:
        """Let go of the queue."""
        if self._queue is not None:
            self._queue.close()
            self._queue = None
