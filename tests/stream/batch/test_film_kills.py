"""A worker is killed amid a film; the next one finishes it, and it is the same film.

POSIX.1-2017 SIGKILL cannot be caught: whatever survives, survives by the order of the writes.
``POSEWALL_FILM_KILLS=50`` kills more often than the usual few times. Every second film is of a take
with a clean plate.
"""

from __future__ import annotations

import multiprocessing
import os
import random
import shutil
import sqlite3
import time
from collections.abc import Iterator
from contextlib import contextmanager
from itertools import cycle, islice
from multiprocessing.context import ForkServerProcess
from pathlib import Path

from stream.batch.jobs import JobQueue
from stream.batch.state import MOST_STARTS, State
from stream.batch.sweep import sweep_film_work
from stream.durable import PARTIAL
from stream.event import Event
from stream.film.owner import film_owner
from stream.take import Take
from stream.take.changes import change_take
from tests.stream.batch import roles
from tests.stream.batch.scenario import make_event
from tests.stream.batch.test_films import until
from tests.stream.film.roles import work_small
from tests.stream.film.small import plain_and_plated

KILLS = int(os.environ.get("POSEWALL_FILM_KILLS", "3"))
MOST_A_FILM = 12
assert MOST_A_FILM < MOST_STARTS - 2
MOST_ROUNDS = 2 * KILLS + 4
"""chosen: as in `tests.stream.film.test_render_kills`."""


@contextmanager
def working(event: Event) -> Iterator[ForkServerProcess]:
    """A worker in a process of its own, which is killed at the end."""
    here, there = multiprocessing.Pipe(duplex=False)
    process = roles.process(work_small, str(event.paths.root), 0, there)
    there.close()
    try:
        assert here.poll(120)
        yield process
    finally:
        process.kill()
        process.join()
        here.close()
        assert process.exitcode == -9


def finished(event: Event, *takes: Take) -> dict[str, float]:
    """Let a worker finish films; for how many seconds it had each take's in work."""
    took = {}
    with working(event), JobQueue(event) as queue:
        for take in takes:
            until(queue, take.id, State.IN_WORK, State.DONE, State.FAILED)
            begun = time.monotonic()
            job = until(queue, take.id, State.DONE, State.FAILED)
            assert job.state is State.DONE, job.why
            took[take.id] = time.monotonic() - begun
    return took


def files(event: Event, take: Take) -> dict[str, bytes]:
    """The take's films and posters."""
    names = [n for f in take.films for n in (f.film, f.poster)]
    return {n: (event.paths.films / n).read_bytes() for n in names}


def test_killed_at_random_moments(tmp_path: Path) -> None:
    event = make_event(tmp_path)
    takes = plain_and_plated(event, tmp_path)
    twin = Event.open(shutil.copytree(event.paths.root, tmp_path / "twin"))
    took = finished(twin, *takes)
    chance = random.Random(20260531)
    killed = 0
    for take in islice(cycle(takes), MOST_ROUNDS):
        whole = files(twin, take)
        for _ in range(min(MOST_A_FILM, -(-(KILLS - killed) // 2))):
            with working(event), JobQueue(event) as queue:
                until(queue, take.id, State.IN_WORK, State.DONE, State.FAILED)
                # Before the first piece, between pieces, amid one, amid the sound: wherever.
                time.sleep(chance.uniform(0.0, 0.7 * took[take.id]))
                job = until(queue, take.id, State.IN_WORK, State.DONE, State.FAILED)
            for path in event.paths.films.iterdir():
                # Whatever bears a final name is whole.
                if not path.name.startswith(PARTIAL) and path.suffix == ".mp4":
                    assert film_owner(path) in {t.unique for t in takes}
            if job.state is not State.IN_WORK:
                break
            killed += 1
        finished(event, take)
        # The same, byte for byte, as one that nobody interrupted.
        assert files(event, take) == whole
        if killed >= KILLS:
            break
        # Once more, from nothing.
        for name in whole:
            (event.paths.films / name).unlink()
        change_take(event, take.id)
    assert killed >= KILLS, f"{killed} kills met a film: it is made faster than it can be killed"
    finished(event, *takes)
    with JobQueue(event) as queue:
        sweep_film_work(event, queue)
    assert list(event.paths.film_work.iterdir()) == []
    with sqlite3.connect(event.paths.queue) as connection:
        assert connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    connection.close()
