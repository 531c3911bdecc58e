"""The worker: takes jobs from the queue and makes pictures and films, whatever happens around it.

One worker at a time works on an event, and it holds a file lock for as long. The kernel drops the
lock when its process dies, however it dies, so whoever holds it knows that nobody else is at
work. That is what lets all workers share one executor id: the next one finds the jobs of the dead
one under its own name and the library hands them out again at start. A heartbeat would need a
time-out to tell dead from slow, and could be wrong; a lock cannot.
"""

from __future__ import annotations

import argparse
import logging
import signal
import sys
import threading
from datetime import UTC, datetime
from pathlib import Path

from dbos import DBOS
from filelock import FileLock, Timeout

from stream import compiled_code
from stream.batch import filming, making
from stream.batch.jobs import (
    APPLICATION,
    APPLICATION_VERSION,
    JobQueue,
    quiet_library,
    store_url,
)
from stream.batch.render import Renderer
from stream.batch.sweep import Sweep, retry_passed, sweep_film_work
from stream.device import pick_device
from stream.errors import UserError
from stream.event import Event
from stream.own_process import at_end_of_input, stand_back
from stream.shot import sweep_leftovers

log = logging.getLogger("posewall.batch")
# chosen: a press is in work within a blink; measured idle, 3 % of one core (0.05 s: 5 %).
POLL_S = 0.1
SWEEP_S = 2.0
LEFTOVERS_S = 60.0
# A full disk is not emptied in seconds; asking again costs three tries a shot.
RETRY_S = 120.0


def worker_lock(event: Event) -> FileLock:
    """The lock that the one worker of an event holds."""
    return FileLock(event.paths.root / ".worker.lock", thread_local=False)


def worker_at_work(event: Event) -> bool:
    """Whether any process is making this event's pictures now."""
    lock = worker_lock(event)
    try:
        lock.acquire(timeout=0)
    except Timeout:
        return True
    lock.release()
    return False


class Worker:
    """Makes an event's pictures in threads of this process; one worker a process.

    While another process is at work on the event it stands by, and takes over when that one ends.
    """

    def __init__(self, event: Event, device: str = "cpu") -> None:
        self.event = event
        self.device = device
        self.working = threading.Event()
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name="posewall-worker", daemon=True)

    def start(self) -> None:
        """Begin; returns at once."""
        self._thread.start()

    def stop(self, timeout_s: float = 120.0) -> None:
        """Finish the picture in work and end; what is queued stays queued."""
        self._stop.set()
        if self._thread.ident is not None:
            self._thread.join(timeout_s)

    def _run(self) -> None:
        lock = worker_lock(self.event)
        while not self._stop.is_set():
            try:
                lock.acquire(timeout=0)
            except Timeout:
                self._stop.wait(0.5)
                continue
            try:
                self._work()
            except Exception:
                # A full disk or a locked store at start: say so, wait, try again.
                log.exception("the worker cannot work now; it tries again in 5 s")
                self._stop.wait(5)
            finally:
                self.working.clear()
                lock.release()

    def _work(self) -> None:
        with JobQueue(self.event) as queue:
            making.use(Renderer(self.event, self.device))
            filming.use(
                filming.FilmWork(self.event, self.device, queue.picture_waits, self._stop.is_set)
            )
            try:
                # Before the launch: a queue that is new to the library waits a second there.
                queue.register(POLL_S)
                self._launch()
                self.working.set()
                sweep, ticks = Sweep(self.event, queue), 0
                while not self._stop.is_set():
                    sweep(datetime.now(UTC))
                    if ticks % round(LEFTOVERS_S / SWEEP_S) == 0:
                        sweep_leftovers(self.event)
                        sweep_film_work(self.event, queue)
                    ticks += 1
                    if ticks % round(RETRY_S / SWEEP_S) == 0:
                        retry_passed(self.event, queue)
                    self._stop.wait(SWEEP_S)
            finally:
                # Waits for the picture in work, so that the lock is not given up under it; a film
                # stops where it is.
                DBOS.destroy(workflow_completion_timeout_sec=60)
                making.use(None)
                filming.use(None)

    def _launch(self) -> None:
        quiet_library()
        DBOS(
            config={
                "name": APPLICATION,
                "system_database_url": store_url(self.event.paths.queue),
                "application_version": APPLICATION_VERSION,
                "executor_id": "worker",
                "log_level": "WARNING",
                "enable_otlp": False,
            }
        )
        DBOS.launch()


def main(argv: list[str] | None = None) -> int:
    """Make an event's pictures until told to stop."""
    parser = argparse.ArgumentParser(prog="python -m stream.batch.worker", description=main.__doc__)
    parser.add_argument("event", type=Path, help="the event's folder")
    parser.add_argument("--device", default="auto", help="auto, cpu or cuda")
    parser.add_argument("--follow", action="store_true", help="end when standard input ends")
    args = parser.parse_args(argv)
    compiled_code.keep()
    stand_back(5)
    ended = threading.Event()
    signal.signal(signal.SIGTERM, lambda *_: ended.set())
    # Ctrl-C reaches the whole terminal group: the starter decides when this one ends.
    signal.signal(signal.SIGINT, signal.SIG_IGN if args.follow else lambda *_: ended.set())
    try:
        event, device = Event.open(args.event), pick_device(args.device)
    except UserError as e:
        print(e, file=sys.stderr)
        return 2
    if args.follow:
        at_end_of_input(ended.set)
    with event.logging():
        worker = Worker(event, device)
        worker.start()
        while not ended.wait(1.0):
            pass
        worker.stop()
    return 0


if __name__ == "__main__":
    sys.exit(main())
