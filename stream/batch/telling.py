"""What the commands say of pictures and films: how far it is, how each stands, what came out."""

from __future__ import annotations

import sys
from collections.abc import Sequence

from stream.batch.film_jobs import FilmJob
from stream.batch.forecast import about, awaited
from stream.batch.jobs import Job
from stream.batch.state import State

BAR = 30
# chosen: a line for each tenth of a film, where lines cannot be written over.
STEP = 0.1


def line(job: Job | FilmJob) -> str:
    """How one shot or take stands."""
    text = f"{job.number}  {job.state.value}"
    if job.state is State.FAILED:
        text += f": {job.why}"
    elif job.state is State.DONE:
        text += f": {', '.join(made_names(job))}"
    elif isinstance(job, FilmJob) and (going := how_far(job)):
        text += f": {going}"
    return text + "".join(f"\n      note: {n}" for n in job.notes)


def how_far(job: FilmJob) -> str:
    """How far a take's films are and when they may be expected; empty where neither is asked."""
    made = "" if job.share is None else f"{percent(job.share)} made"
    return ", ".join(filter(None, (made, awaited(job))))


def made_names(job: Job | FilmJob) -> tuple[str, ...]:
    """The files that were made."""
    if isinstance(job, FilmJob):
        return job.films
    return tuple(n for n in (job.picture, *job.more) if n)


def percent(share: float) -> str:
    """How much, for people: never all before it is."""
    return f"{min(int(100 * share), 99)} %"


def counted(jobs: Sequence[FilmJob]) -> list[FilmJob]:
    """Those of which a film is wanted."""
    return [j for j in jobs if j.state is not State.UNASKED]


class Progress:
    """One line that counts up on a terminal; elsewhere a line for each that is finished."""

    def __init__(self) -> None:
        self._live = sys.stderr.isatty()
        self._told: set[str] = set()
        self._steps: dict[str, int] = {}
        self._begun = False
        self._width = 0

    def show(self, jobs: Sequence[Job], films: Sequence[FilmJob] = ()) -> None:
        """Say how far it is."""
        films = counted(films)
        every: list[Job | FilmJob] = [*jobs, *films]
        fresh = [j for j in every if j.finished and j.key not in self._told]
        self._told.update(j.key for j in fresh)
        first, self._begun = not self._begun, True
        # What was finished before this run began is no news.
        news = [] if first else fresh
        if self._live:
            for job in news:
                if job.notes and job.state is State.DONE:
                    self._over(line(job))
            self._bar(jobs, films)
            return
        for group in (jobs, films):
            done = sum(j.finished for j in group)
            for job in group:
                if job in news:
                    self._say(f"{done}/{len(group)} {line(job)}")
        for film in films:
            self._step(film)

    def _step(self, film: FilmJob) -> None:
        if film.share is not None and (step := int(film.share / STEP)) > self._steps.get(
            film.key, 0
        ):
            self._steps[film.key] = step
            self._say(f"    {line(film)}")

    def _say(self, text: str) -> None:
        print(text, file=sys.stderr, flush=True)

    def _over(self, text: str) -> None:
        """Lines that stay, the first in place of the line that counts."""
        head, *more = text.split("\n")
        print("\n".join([f"\r{head:<{self._width}}", *more]), file=sys.stderr)

    def _bar(self, jobs: Sequence[Job], films: Sequence[FilmJob]) -> None:
        done = sum(j.finished for j in jobs)
        all_done = done + sum(1.0 if j.finished else j.share or 0.0 for j in films)
        total = len(jobs) + len(films)
        full = int(BAR * all_done / total) if total else BAR
        words = [f"{done} of {len(jobs)} pictures"] if jobs or not films else []
        if films:
            words.append(f"{sum(j.finished for j in films)} of {len(films)} greetings")
        for job in films:
            if job.state is State.IN_WORK and job.share is not None:
                left = "" if job.left_s is None else f", {about(job.left_s)} left"
                words.append(f"{job.number} {percent(job.share)}{left}")
        waiting = [j for j in films if j.state is State.WAITING]
        if waiting and (last_s := max(waiting, key=lambda j: j.ahead).left_s) is not None:
            words.append(f"all in {about(last_s)}")
        failed = sum(j.state is State.FAILED for j in jobs)
        failed += sum(j.state is State.FAILED for j in films)
        if failed:
            words.append(f"{failed} failed")
        text = f"[{'#' * full}{'.' * (BAR - full)}] {', '.join(words)}"
        print(f"\r{text:<{self._width}}", end="", file=sys.stderr, flush=True)
        self._width = len(text)

    def end(self) -> None:
        """Leave the line."""
        if self._live:
            print(file=sys.stderr)


def summary(jobs: Sequence[Job], films: Sequence[FilmJob] = ()) -> int:
    """Say what came out; 1 when any failed."""
    films = counted(films)
    groups: list[tuple[str, Sequence[Job | FilmJob]]] = []
    if jobs or not films:
        groups.append(("pictures", jobs))
    if films:
        groups.append(("greetings", films))
    bad = 0
    for what, group in groups:
        failed = [j for j in group if j.state is State.FAILED]
        made = sum(j.state is State.DONE for j in group)
        print(f"{made} of {len(group)} {what} are made, {len(failed)} failed.")
        for job in failed:
            print(f"  {line(job)}")
        bad += len(failed)
    return 1 if bad else 0
