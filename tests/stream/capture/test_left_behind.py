"""A source that hung, was closed, and answers once another was opened in its place."""

from __future__ import annotations

import fcntl
import os
import termios
import threading
from array import array
from contextlib import suppress
from pathlib import Path
from typing import IO

from stream.capture.container import Target
from stream.capture.errors import SourceLost
from stream.capture.media import LiveMedia
from stream.take import PacketRing
from stream.take.backlog import Backlog
from tests.stream.take.stage import Clock, numbered_clip, read_into, wait_until
from tests.stream.take.test_ring import pieces_of

TS_BYTES = 188
"""Of a packet: ITU-T H.222.0, 2.4.3.2."""


def unread(pipe: IO[bytes]) -> int:
    """How many bytes wait in a pipe (ioctl_pipe of the system, FIONREAD)."""
    found = array("i", [0])
    fcntl.ioctl(pipe.fileno(), termios.FIONREAD, found)
    return found[0]


def test_what_it_brings_late_is_not_in_the_ring(tmp_path: Path) -> None:
    data = numbered_clip(tmp_path / "old.ts", 250, key_every=5, bframes=0).read_bytes()
    other = numbered_clip(tmp_path / "new.mp4", 50, key_every=5, bframes=0)
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    hangs, go_on = threading.Event(), threading.Event()
    half = len(data) // 2 // TS_BYTES * TS_BYTES
    clock = Clock()
    ring, backlog = PacketRing(clock=clock), Backlog()
    old = LiveMedia(Target(str(pipe), "old", format="mpegts"), tap=ring, clock=clock)
    frames = []

    def send() -> None:
        with suppress(BrokenPipeError), pipe.open("wb", buffering=0) as to:
            to.write(data[:half])
            wait_until(lambda: unread(to) == 0)
            # Who fetches this has read all before it; no frame comes of a byte, and it hangs.
            to.write(data[half : half + 1])
            wait_until(lambda: unread(to) == 0)
            hangs.set()
            go_on.wait(60)
            to.write(data[half + 1 :])

    def read() -> None:
        with suppress(SourceLost):
            old.open()
            while (frame := old.read()) is not None:
                frames.append(frame)

    threads = [threading.Thread(target=work, daemon=True) for work in (send, read)]
    for thread in threads:
        thread.start()
    assert hangs.wait(60)
    count = len(frames)
    assert count > 100
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
