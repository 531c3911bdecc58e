"""A film is killed while it is made, at random moments, and becomes the film it would have been.

POSIX.1-2017 SIGKILL cannot be caught: whatever survives, survives by the order of the writes.
POSEWALL_KILLS sets how many kills.
"""

from __future__ import annotations

import multiprocessing
import os
import random
import shutil
import time
from multiprocessing.connection import Connection
from multiprocessing.context import ForkServerProcess
from pathlib import Path

import av

from stream.durable import PARTIAL
from stream.event import Event
from stream.film.render import FilmRenderer
from stream.take import load_take, take_ids
from tests.stream.batch.roles import process
from tests.stream.batch.scenario import make_event
from tests.stream.film import roles
from tests.stream.film.takes import clip_of, take_of

KILLS = int(os.environ.get("POSEWALL_KILLS", "4"))


def started(event: Event, take_id: str) -> tuple[ForkServerProcess, Connection]:
    here, there = multiprocessing.Pipe(duplex=False)
    made = process(roles.render, str(event.paths.root), take_id, there)
    there.close()
    return made, here


def until(pipe: Connection, count: int) -> int | None:
    """Wait for so many messages; what the last said, None where the process ended before."""
    last: int | None = None
    for _ in range(count):
        assert pipe.poll(600), "nothing was told for ten minutes"
        try:
            last = pipe.recv()
        except EOFError:
            return None
        if last == -1:
            return None
    return last


def whole_files_only(event: Event) -> None:
    """Whatever bears a final name can be used, at any moment."""
    for path in event.paths.films.rglob("*.mp4"):
        if not path.name.startswith(PARTIAL):
            with av.open(str(path)) as container:
                assert sum(1 for _ in container.decode(video=0)) > 100
    for path in event.paths.film_work.rglob("*.mkv"):
        with av.open(str(path)) as container:
            assert sum(1 for _ in container.decode(video=0)) > 1


def test_killed_at_random_moments(tmp_path: Path) -> None:
    event = make_event(tmp_path)
    take = take_of(event, clip_of(tmp_path / "clip.mkv", 55, 10), people=["1"])
    twin = Event.open(shutil.copytree(event.paths.root, tmp_path / "twin"))
    frames: list[int] = []
    whole = FilmRenderer(twin, encoder="libx264", rank=lambda f, s, p: [len(f) // 2]).make(
        take, lambda progress: frames.append(progress.done)
    )
    chance = random.Random(20260601)
    killed, farthest = 0, []
    for _ in range(KILLS):
        made, pipe = started(event, take.id)
        # The looks at the take are told, too; after the last message comes the sound.
        last = until(pipe, chance.randrange(1, len(frames) + 1))
        time.sleep(chance.uniform(0.0, 0.3))
        made.kill()
        made.join()
        pipe.close()
        killed += made.exitcode == -9
        farthest.append(last)
        whole_files_only(event)
    assert killed >= min(KILLS, 1)
    finished = FilmRenderer(event, encoder="libx264", rank=lambda f, s, p: [len(f) // 2]).make(
        load_take(event, take_ids(event)[0])
    )
    assert finished == whole
    for name in whole.films + whole.posters:
        assert (event.paths.films / name).read_bytes() == (twin.paths.films / name).read_bytes()
    left = [p for p in event.paths.root.rglob(f"{PARTIAL}*") if "flattened" not in str(p)]
    assert not left
    assert [p.name for p in (event.paths.film_work / take.job).iterdir()] == ["plan.json"]
