"""What keeps and what renders is killed amid its writes; nothing kept is lost.

POSIX.1-2017 SIGKILL cannot be caught: whatever survives, survives by the order of the writes.
The whole commands die in tests/stream/live/test_kills_live.py. Here nothing but the writes runs,
many a second and from two processes at once, so that far more of the kills hit one.
"""

from __future__ import annotations

import multiprocessing
import random
import sqlite3
import time
from collections.abc import Callable
from multiprocessing.connection import Connection
from multiprocessing.context import ForkServerProcess
from pathlib import Path
from typing import Any

import pytest
from PIL import Image

from stream.batch.jobs import Job, JobQueue
from stream.batch.state import State
from stream.batch.worker import Worker
from stream.durable import PARTIAL
from stream.event import Event
from stream.prints.picture import picture_owner
from stream.shot import load_frame, load_shot, shot_ids
from tests.stream.batch import roles
from tests.stream.batch.scenario import make_event, make_frame, same_planes

KILLS = 6
Role = Callable[[str, int, Any], None]


def started(role: Role, event: Event, first: int) -> tuple[ForkServerProcess, Connection]:
    here, there = multiprocessing.Pipe(duplex=False)
    process = roles.process(role, str(event.paths.root), first, there)
    there.close()
    return process, here


def heard(pipe: Connection) -> list[tuple[int, str]]:
    """What a process told before it died; a message it was killed in does not count."""
    told: list[tuple[int, str]] = []
    try:
        while pipe.poll():
            message = pipe.recv()
            if message is not None:
                told.append(message)
    except EOFError:
        pass
    return told


def whole_files_only(event: Event) -> None:
    """Whatever bears a final name can be used, at any moment."""
    for picture in event.paths.pictures.iterdir():
        if not picture.name.startswith(PARTIAL):
            with Image.open(picture) as image:
                image.load()
                assert image.size == (80, 100)
    for shot_id in shot_ids(event):
        load_frame(event, load_shot(event, shot_id))


def finished(event: Event, timeout_s: float = 120.0) -> list[Job]:
    """Let a worker do what is left."""
    worker = Worker(event)
    worker.start()
    deadline = time.monotonic() + timeout_s
    with JobQueue(event) as queue:
        jobs = queue.jobs()
        while not all(j.finished for j in jobs):
            assert time.monotonic() < deadline, [j for j in jobs if not j.finished]
            time.sleep(0.1)
            jobs = queue.jobs()
    worker.stop()
    return jobs


@pytest.mark.parametrize("seed", [20260531])
def test_killed_at_random_moments(tmp_path: Path, seed: int) -> None:
    event = make_event(tmp_path)
    chance = random.Random(seed)
    kept: dict[str, int] = {}
    turns: list[list[Role]] = [[roles.press, roles.work], [roles.live], [roles.press]]
    first = 0
    for kill in range(KILLS):
        chosen = turns[kill % len(turns)]
        running = [started(role, event, first) for role in chosen]
        first += 1000
        # The first message says that it is at work; the kill comes somewhere after it.
        for _, pipe in running:
            assert pipe.poll(60)
        time.sleep(chance.uniform(0.0, 0.7))
        for process, _ in running:
            process.kill()
        for process, pipe in running:
            process.join()
            assert process.exitcode == -9
            kept.update({shot_id: index for index, shot_id in heard(pipe)})
            pipe.close()
        whole_files_only(event)

    jobs = finished(event)

    # No kept shot lost: every one that was told of is there, bit for bit.
    assert len(kept) >= KILLS
    assert set(kept) <= set(shot_ids(event))
    for shot_id, index in kept.items():
        frame = load_frame(event, load_shot(event, shot_id))
        assert same_planes(frame.planes, make_frame(index).planes)
    # Every shot has its picture, also those killed between commit and queue, and only one.
    assert [j.state for j in jobs] == [State.DONE] * len(jobs)
    pictures = [p for p in event.paths.pictures.iterdir() if not p.name.startswith(PARTIAL)]
    owners = [picture_owner(p) for p in pictures]
    assert sorted(map(str, owners)) == sorted(load_shot(event, i).unique for i in shot_ids(event))
    whole_files_only(event)
    with sqlite3.connect(event.paths.queue) as connection:
        assert connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    connection.close()
