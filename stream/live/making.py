"""The process that makes pictures beside the live program, started anew when it dies."""

from __future__ import annotations

import logging
import os
import time
from collections.abc import Callable
from typing import TYPE_CHECKING

from stream.event import Event

if TYPE_CHECKING:
    from stream.batch import WorkerProcess

log = logging.getLogger("posewall.live")

# chosen: a worker that dies at once must not be started over and over beside a live picture.
AGAIN_S = 3.0


class Making:
    """Keeps one worker process alive.

    Args:
        event: whose pictures are made.
        tell: takes a sentence for the terminal.
    """

    def __init__(
        self,
        event: Event,
        tell: Callable[[str], None],
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self._event = event
        self._worker: WorkerProcess | None = None
        self._tell = tell
        self._clock = clock
        self._started_s: float | None = None

    def tend(self) -> None:
        """Start the worker if it is not at work; to be called now and then."""
        from stream.batch import WorkerProcess  # the queue's libraries: not before the picture

        now = self._clock()
        if self._worker is None:
            self._worker = WorkerProcess(self._event)
        if self._worker.alive or (self._started_s is not None and now - self._started_s < AGAIN_S):
            return
        if self._started_s is not None:
            log.warning("the process that makes pictures has died and is started anew")
        self._started_s = now
        # Final renders take what the live picture leaves: one thread, in a process that is nice.
        before = os.environ.get("OMP_NUM_THREADS")
        os.environ["OMP_NUM_THREADS"] = "1"
        try:
            self._worker.start()
        finally:
            if before is None:
                del os.environ["OMP_NUM_THREADS"]
            else:
                os.environ["OMP_NUM_THREADS"] = before

    def stop(self) -> None:
        """Let it finish the picture in work."""
        if self._worker is None:
            return
        if self._worker.alive:
            self._tell("Finishing the picture in work; what is queued stays queued.")
        self._worker.stop()
