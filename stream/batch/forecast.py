"""When the greetings that are not made yet may be expected."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

from stream.batch.film_jobs import FilmJob
from stream.batch.pace import Pace, needed_s
from stream.batch.state import State

UNKNOWN = "nobody knows yet how long greetings take here"
MEASURED = "how long it takes is being measured"


def foretold(jobs: Sequence[FilmJob], known: Sequence[Pace]) -> list[FilmJob]:
    """The same jobs, each open one with how long it still takes and how many go before it.

    Films are made one at a time, in the order in which they were asked for. Jobs that are foretold
    already are foretold anew.

    Args:
        jobs: of one event, all of them.
        known: how its last greetings were made.
    """
    waiting = sorted(
        (j for j in jobs if j.state is State.WAITING),
        key=lambda j: (math.inf if j.asked is None else j.asked, j.take_id),
    )
    line = [*(j for j in jobs if j.state is State.IN_WORK), *waiting]
    before_s: float | None = 0.0
    told: dict[str, FilmJob] = {}
    for ahead, job in enumerate(line):
        own_s = _own_s(job, known)
        before_s = None if before_s is None or own_s is None else before_s + own_s
        told[job.take_id] = replace(job, left_s=before_s, ahead=ahead)
    return [told.get(job.take_id, job) for job in jobs]


def _own_s(job: FilmJob, known: Sequence[Pace]) -> float | None:
    """How long a job itself is still worked on."""
    if job.own_s is not None:
        return job.own_s
    share = job.share or 0.0
    if share >= 1:  # its sound, and one file of both
        return 0.0
    whole_s = None if job.take is None else needed_s(job.take, known)
    return None if whole_s is None else whole_s * (1 - share)


def about(seconds: float) -> str:
    """A time to wait, for people: rounded up, and the longer the more roughly."""
    minutes = seconds / 60
    if minutes <= 0.75:
        return "less than a minute"
    if minutes <= 1.25:
        return "about a minute"
    whole = math.ceil(minutes - 0.25)
    if whole > 20:
        whole = 5 * math.ceil((minutes - 1) / 5)
    if whole < 60:
        return f"about {whole} minutes"
    hours, rest = divmod(whole, 60)
    words = "an hour" if hours == 1 else f"{hours} hours"
    return f"about {words}" + (f" and {rest} minutes" if rest else "")


def awaited(job: FilmJob) -> str:
    """When the films of an open job may be expected, for people; empty where nobody waits."""
    if job.state is State.IN_WORK and job.left_s is None:
        return MEASURED
    open_yet = job.state in (State.IN_WORK, State.WAITING)
    return expected(job.left_s, job.ahead) if open_yet else ""


def expected(left_s: float | None, ahead: int, pictures: bool = False) -> str:
    """When something may be expected, for people.

    Args:
        left_s: until it is made; None where nobody knows.
        ahead: how many are made before it.
        pictures: some wait, and go first; their time is in no ``left_s``.
    """
    others = f"{ahead} {'other' if ahead == 1 else 'others'}" if ahead else ""
    before = " and ".join(filter(None, (others, "the pictures that wait" if pictures else "")))
    if left_s is not None:
        return about(left_s) + (f", after {before}" if before else "")
    if not before:
        return UNKNOWN
    verb = "is" if ahead == 1 and not pictures else "are"
    return f"{UNKNOWN}, and {before} {verb} made before it"
