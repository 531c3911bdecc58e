"""A film is killed while it is made, at random moments, and becomes the film it would have been.

POSIX.1-2017 SIGKILL cannot be caught: whatever survives, survives by the order of the writes.
POSEWALL_FILM_KILLS sets how many kills. Every second film is of a take with a clean plate.
"""

from __future__ import annotations

import multiprocessing
import os
import random
import shutil
import time
from collections.abc import Iterator
from itertools import cycle, islice
from multiprocessing.connection import Connection
from multiprocessing.context import ForkServerProcess
from pathlib import Path

import av

from stream.durable import PARTIAL
from stream.event import Event
from stream.take import Take
from tests.stream.batch.roles import process
from tests.stream.batch.scenario import make_event
from tests.stream.film import roles
from tests.stream.film.small import plain_and_plated

KILLS = int(os.environ.get("POSEWALL_FILM_KILLS", "4"))
MOST_A_FILM = 10
MOST_ROUNDS = 2 * KILLS + 4
"""chosen: a film has half of the kills that are wanted still, so that this is far more than enough
where every second kill meets it."""


def started(event: Event, take: Take) -> tuple[ForkServerProcess, Connection]:
    here, there = multiprocessing.Pipe(duplex=False)
    made = process(roles.render, str(event.paths.root), take.id, there)
    there.close()
    return made, here


def messages(pipe: Connection) -> Iterator[int]:
    """What is told, until the films are done or the process ends."""
    while True:
        assert pipe.poll(600), "nothing was told for ten minutes"
        try:
            told = pipe.recv()
        except EOFError:
            return
        if told == -1:
            return
        yield told


def finished(event: Event, take: Take) -> int:
    """Let the films be made without interruption; how many messages that takes."""
    made, pipe = started(event, take)
    count = sum(1 for _ in messages(pipe))
    made.join()
    pipe.close()
    assert made.exitcode == 0
    return count


def files(event: Event, take: Take) -> dict[str, bytes]:
    """The take's films and posters."""
    names = [n for f in take.films for n in (f.film, f.poster)]
    return {n: (event.paths.films / n).read_bytes() for n in names}


def whole_files_only(event: Event) -> None:
    """Whatever bears a final name can be used, at any moment."""
    for path in event.paths.films.rglob("*.mp4"):
        if not path.name.startswith(PARTIAL):
            with av.open(str(path)) as container:
                assert sum(1 for _ in container.decode(video=0)) > 60
    for path in event.paths.film_work.rglob("*.mkv"):
        with av.open(str(path)) as container:
            assert sum(1 for _ in container.decode(video=0)) > 1


def test_killed_at_random_moments(tmp_path: Path) -> None:
    event = make_event(tmp_path)
    takes = plain_and_plated(event, tmp_path)
    twin = Event.open(shutil.copytree(event.paths.root, tmp_path / "twin"))
    total = {take.id: finished(twin, take) for take in takes}
    chance = random.Random(20260601)
    killed = 0
    for take in islice(cycle(takes), MOST_ROUNDS):
        # Begun from nothing, and killed until it is done, or often enough.
        for name in files(twin, take):
            (event.paths.films / name).unlink(missing_ok=True)
        shutil.rmtree(event.paths.film_work / take.job, ignore_errors=True)
        for _ in range(min(MOST_A_FILM, -(-(KILLS - killed) // 2))):
            made, pipe = started(event, take)
            # The looks at the take are told, too; after the last message comes the sound.
            after = chance.randrange(1, total[take.id] + 1)
            met = sum(1 for _, _ in zip(range(after), messages(pipe), strict=False))
            time.sleep(chance.uniform(0.0, 0.1))
            made.kill()
            made.join()
            pipe.close()
            whole_files_only(event)
            if made.exitcode != -9 or met < after:
                break
            killed += 1
        finished(event, take)
        assert files(event, take) == files(twin, take)
        left = [p for p in event.paths.root.rglob(f"{PARTIAL}*") if "flattened" not in str(p)]
        assert not left
        assert [p.name for p in (event.paths.film_work / take.job).iterdir()] == ["plan.json"]
        if killed >= KILLS:
            break
    assert killed >= KILLS, f"{killed} kills met a film: it is made faster than it can be killed"
