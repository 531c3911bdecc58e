"""Finds kept shots that have no job: killed between commit and queue, or asked for again."""

from __future__ import annotations

import logging
from datetime import datetime, timedelta

from stream.batch.jobs import JobQueue, State
from stream.errors import UserError
from stream.event import Event
from stream.shot import RECORD, ShotError, load_shot, render_again, settle, shot_ids

log = logging.getLogger("posewall.batch")
# The live program settles its own shots; this is for one that died while it waited.
WAIT_GRACE = timedelta(seconds=5)


class Sweep:
    """Finds kept shots that have no job yet: killed between commit and queue, or asked again."""

    def __init__(self, event: Event, queue: JobQueue) -> None:
        self.event = event
        self.queue = queue
        self._seen: dict[str, int] = {}
        self._known = queue.known()

    def _mark(self, shot_id: str) -> int:
        try:
            return (self.event.paths.shots / shot_id / RECORD).stat().st_mtime_ns
        except OSError:
            return 0

    def __call__(self, now: datetime) -> int:
        """Queue what is missing.

        Args:
            now: the wall clock, aware.

        Returns:
            How many were queued.
        """
        count = 0
        for shot_id in shot_ids(self.event):
            mark = self._mark(shot_id)
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


def retry_passed(event: Event, queue: JobQueue) -> int:
    """Ask once more for pictures that failed for a reason that may have passed; how many."""
    again = [j.shot_id for j in queue.jobs() if j.state is State.FAILED and j.transient]
    count = 0
    for shot_id in again:
        try:
            queue.enqueue(render_again(event, shot_id))
            count += 1
        except UserError as e:
            # One that cannot be asked for now must not end the worker, which makes the others.
            log.warning("shot %s cannot be tried again now: %s", shot_id, e)
    return count
