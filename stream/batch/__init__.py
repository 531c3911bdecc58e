"""From kept shots to print-ready pictures: queue, worker, renderer, picture file."""

from stream.batch.jobs import Job, JobQueue, State, enqueue
from stream.batch.process import WorkerProcess

__all__ = [
    "Job",
    "JobQueue",
    "State",
    "WorkerProcess",
    "enqueue",
]
