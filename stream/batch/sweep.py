"""Finds what has no job: kept shots and takes, killed between commit and queue, or asked again."""

from __future__ import annotations

import logging
import re
import shutil
from contextlib import suppress
from datetime import datetime, timedelta
from pathlib import Path

from stream.batch.jobs import JobQueue, with_films
from stream.batch.state import State
from stream.durable import sweep_partials
from stream.errors import UserError
from stream.event import Event
from stream.shot import RECORD, ShotError, load_shot, render_again, settle, shot_ids
from stream.take import RECORD as TAKE_RECORD
from stream.take import TakeError, load_take, sweep_takes, take_ids

log = logging.getLogger("posewall.batch")
# The live program settles its own shots; this is for one that died while it waited.
WAIT_GRACE = timedelta(seconds=5)
# Names in `.films` begin with the job's id.
WORK_OF = re.compile(r"t\d{4,}-[0-9a-f]{6}\.\d+")


class Sweep:
    """Finds kept shots and takes that have no job yet, and queues them."""

    def __init__(self, event: Event, queue: JobQueue) -> None:
        self.event = event
        self.queue = queue
        self._seen: dict[str, int] = {}
        self._known = queue.known()
        # Before the first look nobody knows.
        self._recording = True

    def _mark(self, record: Path) -> int:
        try:
            return record.stat().st_mtime_ns
        except OSError:
            return 0

    def __call__(self, now: datetime) -> int:
        """Queue what is missing.

        Args:
            now: the wall clock, aware.

        Returns:
            How many were queued.
        """
        return self._shots(now) + self._takes()

    def _shots(self, now: datetime) -> int:
        count = 0
        for shot_id in shot_ids(self.event):
            mark = self._mark(self.event.paths.shots / shot_id / RECORD)
            try:
                if self._seen.get(shot_id) == mark:
                    continue
                shot = load_shot(self.event, shot_id)
                if shot.waits_until is not None:
                    if now < shot.waits_until + WAIT_GRACE:
                        continue
                    shot = settle(self.event, shot_id)
                if shot.job not in self._known:
                    self.queue.enqueue(shot)
                    self._known.add(shot.job)
                    count += 1
                self._seen[shot_id] = mark
            except ShotError as e:
                # Damaged: said once, and looked at again when its record changes.
                self._seen[shot_id] = mark
                log.warning("shot %s: %s", shot_id, e)
            except (UserError, OSError) as e:
                log.warning("shot %s cannot be queued now: %s", shot_id, e)
        return count

    def _takes(self) -> int:
        count = 0
        if self._recording:
            try:
                sweep_takes(self.event)
            except (UserError, OSError) as e:
                log.warning("takes that were cut off cannot be mended now: %s", e)
            self._recording = False
        for take_id in take_ids(self.event):
            mark = self._mark(self.event.paths.takes / take_id / TAKE_RECORD)
            try:
                if self._seen.get(take_id) == mark:
                    continue
                take = with_films(self.event, load_take(self.event, take_id))
                if take.recording:
                    # Looked at anew each time: its program may have died.
                    self._recording = True
                    continue
                if take.job not in self._known and self.queue.enqueue_take(take):
                    self._known.add(take.job)
                    count += 1
                self._seen[take_id] = mark
            except TakeError as e:
                self._seen[take_id] = mark
                log.warning("take %s: %s", take_id, e)
            except (UserError, OSError) as e:
                log.warning("take %s cannot be queued now: %s", take_id, e)
        return count


def sweep_film_work(event: Event, queue: JobQueue) -> int:
    """Remove what is left of films that are finished, asked for otherwise, or whose take is gone.

    What processes that died left half written among takes and films goes, too.

    Returns:
        How many files and folders were removed.
    """
    paths = event.paths
    folders = [paths.takes, *(paths.takes / t for t in take_ids(event)), paths.films]
    folders += [f for f in paths.films.rglob("*") if f.is_dir()]
    for folder in folders:
        sweep_partials(folder)
    try:
        there = list(paths.film_work.iterdir())
    except OSError:
        return 0
    at_work = {job.key for job in queue.films() if not job.finished or job.transient}
    count = 0
    for path in there:
        job = WORK_OF.match(path.name)
        if job is not None and job[0] not in at_work:
            with suppress(OSError):
                if path.is_dir() and not path.is_symlink():
                    shutil.rmtree(path)
                else:
                    path.unlink()
                count += 1
    return count


def retry_passed(event: Event, queue: JobQueue) -> int:
    """Ask once more for what failed for a reason that may have passed; how many."""
    again = [j.shot_id for j in queue.jobs() if j.state is State.FAILED and j.transient]
    count = 0
    for shot_id in again:
        try:
            queue.enqueue(render_again(event, shot_id))
            count += 1
        except UserError as e:
            # One that cannot be asked for now must not end the worker, which makes the others.
            log.warning("shot %s cannot be tried again now: %s", shot_id, e)
    for job in queue.films():
        if job.state is State.FAILED and job.transient:
            try:
                # The same job, so that it goes on with the pieces that it has.
                count += queue.film_again(job)
            except UserError as e:
                log.warning("take %s cannot be tried again now: %s", job.take_id, e)
    return count
