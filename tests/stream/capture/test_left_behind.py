"""A source that hung, was closed, and answers once another was opened in its place."""

from __future__ import annotations

import os
import threading
import time
from contextlib import suppress
from pathlib import Path

from stream.capture.container import Target
from stream.capture.errors import SourceLost
from stream.capture.media import LiveMedia
from stream.take import PacketRing
from stream.take.backlog import Backlog
from tests.stream.take.stage import Clock, numbered_clip, read_into, wait_until
from tests.stream.take.test_ring import pieces_of


def test_what_it_brings_late_is_not_in_the_ring(tmp_path: Path) -> None:
    data = numbered_clip(tmp_path / "old.ts", 250, key_every=5, bframes=0).read_bytes()
    other = numbered_clip(tmp_path / "new.mp4", 50, key_every=5, bframes=0)
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    go_on = threading.Event()
    clock = Clock()
    ring, backlog = PacketRing(clock=clock), Backlog()
    old = LiveMedia(Target(str(pipe), "old", format="mpegts"), tap=ring, clock=clock)
    frames = []

    def send() -> None:
        with suppress(BrokenPipeError), pipe.open("wb", buffering=0) as to:
            to.write(data[: len(data) // 2])
            go_on.wait(60)
            to.write(data[len(data) // 2 :])

    def read() -> None:
        with suppress(SourceLost):
            old.open()
            while (frame := old.read()) is not None:
                frames.append(frame)

    threads = [threading.Thread(target=work, daemon=True) for work in (send, read)]
    for thread in threads:
        thread.start()
    # Until it hangs in a read, amid what was sent.
    wait_until(lambda: len(frames) > 100)
    count = 0
    while count < len(frames):
        count = len(frames)
        time.sleep(0.3)
    assert ring.streams is not None
    assert ring.streams.source == "old"
    old.close()
    read_into(ring, other, 20, clock)
    ring.attach(backlog, 0)
    before = [p.data for p in pieces_of(backlog)]
    assert len(before) >= 20
    go_on.set()
    for thread in threads:
        thread.join(60)
        assert not thread.is_alive()
    assert len(frames) > count  # the read that hung came back
    assert pieces_of(backlog) == []
    assert ring.streams.source == "new.mp4"
    read_into(ring, other, 5, clock)
    assert backlog.ended is None
