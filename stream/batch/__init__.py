"""From kept shots and takes to pictures and films: queue, worker, renderer, picture file."""

from stream.batch.film_jobs import FilmJob
from stream.batch.jobs import Job, JobQueue, enqueue, enqueue_take
from stream.batch.process import WorkerProcess
from stream.batch.state import State

__all__ = [
    "FilmJob",
    "Job",
    "JobQueue",
    "State",
    "WorkerProcess",
    "enqueue",
    "enqueue_take",
]
