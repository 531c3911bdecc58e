"""Make what is queued while a command waits, and say how far it is."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable, Sequence

from stream.batch.film_jobs import FilmJob
from stream.batch.jobs import Job
from stream.batch.telling import Progress
from stream.batch.worker import Worker, worker_at_work
from stream.event import Event

Jobs = tuple[Sequence[Job], Sequence[FilmJob]]
LOOK_S = 0.3


def run_until_finished(event: Event, device: str, jobs: Callable[[], Jobs]) -> Jobs | None:
    """Work on an event's queue until some jobs are finished.

    Args:
        event: the event.
        device: where pictures and films are made.
        jobs: how those that are waited for stand now.

    Returns:
        How they ended; None when somebody stopped it before.
    """
    if worker_at_work(event):
        print(
            "Another Posewall process is making this event's pictures already; this one "
            "watches it, and takes over should it end.",
            file=sys.stderr,
        )
    worker, progress = Worker(event, device), Progress()
    worker.start()
    try:
        while True:
            shots, films = jobs()
            progress.show(shots, films)
            if all(j.finished for j in shots) and all(j.finished for j in films):
                break
            time.sleep(LOOK_S)
    except KeyboardInterrupt:
        progress.end()
        print(
            "Stopped; the picture in work is finished first, the others stay queued. A greeting "
            "in work goes on where it stood.",
            file=sys.stderr,
        )
        worker.stop()
        return None
    progress.end()
    worker.stop()
    return shots, films
