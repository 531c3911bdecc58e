"""The last shots and how their pictures stand, for the operator's page."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from stream.event import Event
from stream.shot import Shot, shots

if TYPE_CHECKING:
    from stream.batch import JobQueue

SHOWN = 8
# chosen: a picture takes seconds to make; asking more often would read the store for nothing.
ASK_EVERY_S = 1.5

WORDS = {
    "AWAITS_STILL": "still",
    "WAITING": "queued",
    "IN_WORK": "working",
    "DONE": "done",
    "FAILED": "failed",
}
"""By the name of a job's `State`."""


def _who(event: Event, shot: Shot) -> str:
    """Who is in a shot, for the operator; a name that is not to be shown stays off the list."""
    found = (event.roster.get(number) for number in shot.people)
    return ", ".join(p.shown_name or f"{p.number} (name not shown)" for p in found if p)


def _row(event: Event, shot: Shot) -> dict[str, Any]:
    return {
        "id": shot.id,
        "time": shot.taken.astimezone().strftime("%H:%M:%S"),
        "who": _who(event, shot),
        "template": shot.template,
        "state": "still" if shot.still_until else "kept",
        "why": "",
        "notes": list(shot.notes),
    }


class Lately:
    """Newest first. `refresh` does the reading, off the loop; `rows` only looks."""

    def __init__(self, event: Event, clock: Callable[[], float] = time.monotonic) -> None:
        self._event = event
        self._clock = clock
        self._lock = threading.Lock()
        self._rows = [_row(event, shot) for shot in list(shots(event))[-SHOWN:]][::-1]
        self._finished: set[str] = set()
        self._asked_s: float | None = None
        self._queue: JobQueue | None = None

    def rows(self) -> list[dict[str, Any]]:
        """The last shots as JSON values."""
        with self._lock:
            return [dict(row) for row in self._rows]

    def kept(self, shot: Shot) -> None:
        """A shot was just kept."""
        row = _row(self._event, shot)
        with self._lock:
            self._rows = [row, *(r for r in self._rows if r["id"] != shot.id)][:SHOWN]

    def refresh(self) -> bool:
        """Ask the queue, when it is time and something is open; True when it was asked.

        Raises:
            UserError: the queue cannot be read.
        """
        now = self._clock()
        with self._lock:
            open_ones = [r for r in self._rows if r["id"] not in self._finished]
        if not open_ones or (self._asked_s is not None and now - self._asked_s < ASK_EVERY_S):
            return False
        self._asked_s = now
        if self._queue is None:
            from stream.batch import JobQueue  # the queue's libraries: not before the picture

            self._queue = JobQueue(self._event)
        jobs = {job.shot_id: job for job in self._queue.jobs()}
        with self._lock:
            for row in self._rows:
                job = jobs.get(row["id"])
                if job is None:
                    continue
                row["state"] = WORDS[job.state.name]
                row["why"] = job.why
                row["notes"] = list(job.notes)
                if job.finished and not job.transient:
                    self._finished.add(row["id"])
        return True

    def close(self) -> None:
        """Let go of the queue."""
        if self._queue is not None:
            self._queue.close()
            self._queue = None
