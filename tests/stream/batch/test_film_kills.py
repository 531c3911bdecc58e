"""A worker is killed amid a film; the next one finishes it, and it is the same film.

POSIX.1-2017 SIGKILL cannot be caught: whatever survives, survives by the order of the writes.
``POSEWALL_FILM_KILLS=50`` kills more often than the usual few times.
"""

from __future__ import annotations

import multiprocessing
import os
import random
import shutil
import sqlite3
import time
from pathlib import Path

import pytest

from stream.batch.jobs import JobQueue
from stream.batch.state import MOST_STARTS, State
from stream.batch.sweep import sweep_film_work
from stream.batch.worker import Worker
from stream.durable import PARTIAL
from stream.event import Event
from stream.film.owner import film_owner
from tests.stream.batch import roles
from tests.stream.batch.scenario import make_event
from tests.stream.batch.test_films import add_long, until

KILLS = int(os.environ.get("POSEWALL_FILM_KILLS", "3"))


def finished(event: Event, take_id: str) -> dict[str, bytes]:
    """Let a worker finish the film; its files."""
    worker = Worker(event)
    worker.start()
    with JobQueue(event) as queue:
        job = until(queue, take_id, State.DONE, State.FAILED)
        assert job.state is State.DONE, job.why
        worker.stop()
        sweep_film_work(event, queue)
    assert list(event.paths.film_work.iterdir()) == []
    return {p.name: p.read_bytes() for p in event.paths.films.iterdir()}


@pytest.mark.parametrize("seed", [20260531])
def test_killed_at_random_moments(tmp_path: Path, seed: int) -> None:
    event = make_event(tmp_path)
    take = add_long(event)
    whole = tmp_path / "whole"
    shutil.copytree(event.paths.root, whole)
    chance = random.Random(seed)
    took: list[float] = []
    for kill in range(KILLS):
        here, there = multiprocessing.Pipe(duplex=False)
        process = roles.process(roles.work, str(event.paths.root), 0, there)
        there.close()
        assert here.poll(60)
        with JobQueue(event) as queue:
            job = until(queue, take.id, State.IN_WORK, State.DONE, State.FAILED)
            if job.state is State.IN_WORK:
                begun = time.monotonic()
                # Before the first piece, between pieces, amid one: wherever it falls.
                wait_until = chance.uniform(0.0, 0.9)
                while (job.share or 0.0) < wait_until and job.state is State.IN_WORK:
                    time.sleep(0.01)
                    (job,) = queue.films()
                time.sleep(chance.uniform(0.0, 0.2))
                took.append(time.monotonic() - begun)
        process.kill()
        process.join()
        assert process.exitcode == -9
        here.close()
        for path in event.paths.films.iterdir():
            # Whatever bears a final name is whole.
            if not path.name.startswith(PARTIAL) and path.suffix == ".mp4":
                assert film_owner(path) == take.unique
        if job.state is not State.IN_WORK or kill >= MOST_STARTS - 3:
            break
    assert took, "no kill fell into the film"
    mine = finished(event, take.id)
    assert sorted(mine) == ["0001-Mira-Tallow-wide.jpg", "0001-Mira-Tallow-wide.mp4"]
    # The same, byte for byte, as one that nobody interrupted.
    assert finished(Event.open(whole), take.id) == mine
    with sqlite3.connect(event.paths.queue) as connection:
        assert connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    connection.close()
