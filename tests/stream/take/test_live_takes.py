"""Takes of sources on the network, from real senders: by arrival, over lost connections, RTSP."""

from __future__ import annotations

import subprocess
import sys
import time
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path

import av
import pytest

from stream.capture.frame import Frame
from stream.capture.source import open_source
from stream.capture.watch import Watched
from stream.event import Event
from stream.take import About, PacketRing, Recorder, Take, open_take
from stream.take.backlog import Backlog
from tests.stream.batch.scenario import SETTINGS
from tests.stream.capture import mjpeg_sender
from tests.stream.capture.media_files import make_clip
from tests.stream.capture.rtsp_sender import RtspSender
from tests.stream.capture.test_screen import Screen, screen  # noqa: F401 - a fixture
from tests.stream.take.stage import wait_until
from tests.stream.take.test_ring import same, shown_at

RATE = 10


class Sender:
    """A camera of JPEGs over HTTP, at another pace than the one that its demuxer supposes."""

    def __init__(self) -> None:
        self.port = 0
        self.start()

    def start(self) -> None:
        """Begin, again on the same port."""
        self.process = subprocess.Popen(
            [sys.executable, str(Path(mjpeg_sender.__file__)), str(self.port), str(RATE)],
            stdout=subprocess.PIPE,
            text=True,
        )
        assert self.process.stdout is not None
        self.port = int(self.process.stdout.readline())

    def stop(self) -> None:
        self.process.kill()
        self.process.communicate()

    @property
    def address(self) -> str:
        return f"http://127.0.0.1:{self.port}/live"


@pytest.fixture
def sender() -> Iterator[Sender]:
    made = Sender()
    yield made
    made.stop()


def times_of(event: Event, take: Take) -> list[float]:
    return [float(shown_at(f)) for f in open_take(event, take).frames()]


def test_jpegs_over_http_lie_where_they_arrived(sender: Sender) -> None:
    ring, backlog = PacketRing(), Backlog()
    ring.attach(backlog, 0)
    source = open_source(sender.address, tap=ring)
    source.open()
    frames = [source.read() for _ in range(20)]
    source.close()
    assert ring.state().copied
    pieces = list(iter(lambda: backlog.get(0), None))
    assert len(pieces) >= 20
    assert all(p.key for p in pieces)
    first, last = frames[0], frames[-1]
    assert first is not None
    assert last is not None
    arrived_s = last.arrived_s - first.arrived_s
    assert (pieces[19].at_us - pieces[0].at_us) / 1e6 == pytest.approx(arrived_s, abs=0.15)
    # Nineteen steps at 25 a second, as the demuxer counts them, would be .76 s; the first ones may
    # have waited for whoever opens them.
    assert arrived_s > 1.0


def test_a_take_goes_on_after_a_lost_connection(event: Event, sender: Sender) -> None:
    ring, recorder = PacketRing(), Recorder(event)
    with Watched(lambda: open_source(sender.address, tap=ring, say=lambda _: None)) as watched:
        assert watched.latest(-1, 30) is not None
        recorder.start(ring, About(SETTINGS))
        wait_until(lambda: watched.frames_in > 10)
        sender.stop()
        lost_s, before = time.monotonic(), watched.frames_in
        wait_until(lambda: watched.status.state.name == "LOST")
        sender.start()
        wait_until(lambda: watched.frames_in > before + 10)
        gone_s = time.monotonic() - lost_s
        take = recorder.stop()
    assert take.notes == ()
    times = times_of(event, take)
    gaps = [b - a for a, b in pairwise(times) if b - a > 0.45]
    assert len(gaps) >= 1
    assert max(gaps) < gone_s + 0.5
    assert len(times) >= 20


def test_a_screen_is_compressed_without_loss(
    event: Event,
    screen: Screen,  # noqa: F811
) -> None:
    screen.paint("rgb:20/a0/40")
    ring, recorder = PacketRing(), Recorder(event)
    with Watched(lambda: open_source("screen:64x48+8+4", tap=ring)) as watched:
        assert watched.latest(-1, 30) is not None
        assert not ring.state().copied
        recorder.start(ring, About(SETTINGS))
        wait_until(lambda: recorder.state().bytes > 0)
        before = watched.frames_in
        wait_until(lambda: watched.frames_in > before + 10)
        take = recorder.stop()
        live = watched.latest(-1, 30)
    assert live is not None
    assert take.notes == ()
    kept = list(open_take(event, take).frames())
    assert len(kept) >= 10
    assert all(same(f, live) for f in kept)
    times = times_of(event, take)
    assert all(b > a for a, b in pairwise(times))


def test_rtsp_is_copied_and_its_parameters_come_with_it(event: Event, tmp_path: Path) -> None:
    raw = make_clip(
        tmp_path / "a.h264",
        count=50,
        noise=True,
        options={"g": "5", "bf": "0", "x264-params": "slices=1"},
    )
    sender = RtspSender(raw)
    ring, recorder = PacketRing(), Recorder(event)
    source = open_source(f"rtsp://127.0.0.1:{sender.port}/stage", tap=ring, say=lambda _: None)
    frames: list[Frame] = []

    def read() -> Frame:
        frame = source.read()
        assert frame is not None
        frames.append(frame)
        return frame

    try:
        source.open()
        for _ in range(10):
            read()
        assert ring.state().copied
        recorder.start(ring, About(SETTINGS), before_s=0.1)
        for _ in range(20):
            read()
        recorder.end()
        while recorder.state().recording:
            read()
        take = recorder.stop()
    finally:
        source.close()
        sender.stop()
    assert take.notes == ()
    kept = list(open_take(event, take).frames())
    assert len(kept) >= 20
    offset = next(n for n, f in enumerate(frames) if same(f, kept[0]))
    shared = zip(frames[offset:], kept, strict=False)
    assert all(same(a, b) for a, b in shared)
    # AVC in Matroska has lengths before its units, not start codes (RFC 9559's codec mapping of
    # V_MPEG4/ISO/AVC; ISO/IEC 14496-15, 5.3.3).
    with av.open(str(event.paths.takes / take.id / take.file)) as container:
        stream = container.streams.video[0]
        extradata = stream.codec_context.extradata
        assert extradata is not None
        assert extradata[0] == 1
        data = bytes(next(p for p in container.demux(stream) if p.size))
        at = 0
        while at < len(data):
            at += 4 + int.from_bytes(data[at : at + 4], "big")
        assert at == len(data)
