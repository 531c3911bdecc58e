"""What runs in processes of its own and is killed there: a presser, a worker, and both in one."""

from __future__ import annotations

import itertools
import multiprocessing
import time
from collections.abc import Callable
from multiprocessing.connection import Connection
from multiprocessing.context import ForkServerProcess

from stream.batch import enqueue
from stream.batch.worker import Worker
from stream.event import Event
from stream.shot import save_shot
from tests.stream.batch.scenario import SETTINGS, make_frame


def process(role: Callable[..., None], *args: object) -> ForkServerProcess:
    """A real process of its own, started fast: the imports are done once and forked."""
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload([__name__])
    made = context.Process(target=role, args=args)
    made.start()
    return made


# Time between presses: enough of them to be hit in the middle, few enough to be rendered.
BETWEEN_S = 0.06


def press(root: str, first: int, told: Connection) -> None:
    """Keep and queue frame after frame; tell of each only when it is safe."""
    event = Event.open(root)
    for index in itertools.count(first):
        shot = save_shot(event, make_frame(index), people=["1"], settings=SETTINGS)
        enqueue(event, shot.id)
        told.send((index, shot.id))
        time.sleep(BETWEEN_S)


def keep_some(root: str, count: int) -> None:
    """Keep so many frames, as fast as it goes."""
    event = Event.open(root)
    for index in range(count):
        save_shot(event, make_frame(index), settings=SETTINGS)


def work(root: str, first: int, told: Connection) -> None:
    """Make pictures for ever."""
    worker = Worker(Event.open(root))
    worker.start()
    worker.working.wait()
    told.send(None)
    while True:
        time.sleep(60)


def live(root: str, first: int, told: Connection) -> None:
    """Press and make pictures in one process."""
    Worker(Event.open(root)).start()
    press(root, first, told)
