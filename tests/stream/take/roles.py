"""What runs in a process of its own and is killed there: a program that records take after take."""

from __future__ import annotations

import random
import threading
from multiprocessing.connection import Connection
from pathlib import Path

from stream.capture.clip import Clip
from stream.event import Event
from stream.take import About, PacketRing, Recorder
from tests.stream.batch.scenario import SETTINGS
from tests.stream.take.stage import number_of


def record(root: str, first: int, told: Connection) -> None:
    """Record takes of a clip, of some tenths of a second up to five; tell of each frame and end."""
    event = Event.open(root)
    chance = random.Random(first)
    ring, recorder = PacketRing(keep_s=2.0), Recorder(event)
    name = "raw.avi" if first % 3 == 2 else "n.mp4"
    clip = Clip(Path(root, "..", name), loop=True, tap=ring)
    clip.open()
    stopping: threading.Thread | None = None
    left = 0

    def stop() -> None:
        take = recorder.stop()
        told.send(("kept", take.id, take.length_s))

    while True:
        frame = clip.read()
        assert frame is not None
        if stopping is not None:
            if stopping.is_alive():
                continue
            stopping = None
        if not recorder.state().recording:
            take = recorder.start(ring, About(SETTINGS), before_s=chance.choice((0.0, 0.7)))
            told.send(("begun", take.id, number_of(frame)))
            left = chance.randrange(8, 125)
        told.send(("shown", frame.taken, number_of(frame), recorder.state().waiting))
        left -= 1
        if left == 0:  # the source goes on while it ends
            stopping = threading.Thread(target=stop)
            stopping.start()
