"""What lies before the press of a source that does not compress, while its encoder only begins."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path

import pytest

from stream.capture.clip import Clip
from stream.event import Event
from stream.take import About, PacketRing, Recorder, open_take
from tests.stream.batch.scenario import SETTINGS
from tests.stream.take.stage import Clock, number_of, numbered_clip

EACH = 160 * 48 * 3 // 2


def test_a_full_ring_leaves_room_for_what_comes_as_the_encoder_begins(
    event: Event, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("stream.take.recorder.MOST_FRAME_BYTES", 10 * EACH)
    monkeypatch.setattr("stream.take.recorder.BEGIN_BYTES", 10 * EACH)
    path, clock = numbered_clip(tmp_path / "r.avi", 100, codec="rawvideo"), Clock()
    ring = PacketRing(most_frame_bytes=10 * EACH, clock=clock)
    recorder = Recorder(event, clock=clock)
    clip = Clip(path, loop=True, tap=ring, clock=clock, sleep=clock.sleep)
    clip.open()
    for _ in range(20):
        clip.read()
    recorder.start(ring, About(SETTINGS), before_s=5.0)
    # At once: no process begins so soon.
    for _ in range(9):
        clip.read()
    recorder.end()
    clock.sleep(5.0)
    take = recorder.stop()
    clip.close()
    assert take.notes == ()
    shown = [number_of(f) for f in open_take(event, take).frames()]
    assert len(shown) >= 18
    assert all(b == a + 1 for a, b in pairwise(shown))
