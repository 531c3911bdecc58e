"""Clips whose frames bear a number, and a player that reads them into a ring."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from fractions import Fraction
from pathlib import Path
from types import TracebackType

import av
import numpy as np
import torch

from stream.capture.clip import Clip
from stream.capture.frame import Frame
from stream.capture.source import Source
from stream.take import PacketRing

BITS = 10
SIZE = (16 * BITS, 48)
SOUND_RATE = 48_000
# A second of sound that rises with its own second would not survive AAC; a click does.
CLICK_HZ = 1000


def number_of(frame: Frame) -> int:
    """The number that a frame bears."""
    row = frame.planes[0][24, 8 :: SIZE[0] // BITS].to(torch.int32)
    return sum(int(v > 128) << i for i, v in enumerate(row.tolist()))


def _picture(number: int) -> av.VideoFrame:
    luma = np.zeros((SIZE[1], SIZE[0]), np.uint8)
    for bit in range(BITS):
        luma[:, 16 * bit : 16 * bit + 16] = 200 if number >> bit & 1 else 40
    frame = av.VideoFrame(SIZE[0], SIZE[1], "yuv420p")
    for plane in frame.planes:
        values = luma if plane.width == SIZE[0] else np.full((plane.height, plane.width), 128)
        lines = np.zeros((plane.height, plane.line_size), np.uint8)
        lines[:, : plane.width] = values
        plane.update(lines.tobytes())
    return frame


def numbered_clip(
    path: Path,
    count: int,
    *,
    rate: Fraction = Fraction(25),
    codec: str = "libx264",
    key_every: int = 25,
    bframes: int = 2,
    sound: bool = False,
    heard: str = "aac",
) -> Path:
    """A clip of numbered frames; with a click of a tone at the begin of each second of sound."""
    options = {"g": str(key_every), "bf": str(bframes)} if codec != "rawvideo" else {}
    with av.open(str(path), "w") as out:
        stream = out.add_stream(codec, rate=rate, options=options)
        assert isinstance(stream, av.VideoStream)
        stream.width, stream.height, stream.pix_fmt = *SIZE, "yuv420p"
        track = out.add_stream(heard, rate=SOUND_RATE, layout="mono") if sound else None
        for number in range(count):
            frame = _picture(number)
            frame.pts, frame.time_base = number, 1 / rate
            out.mux(stream.encode(frame))
        out.mux(stream.encode(None))
        if isinstance(track, av.AudioStream):
            whole = int(count / rate * SOUND_RATE)
            times = np.arange(whole) / SOUND_RATE
            tone = 0.5 * np.sin(2 * np.pi * CLICK_HZ * times) * (times % 1 < 0.1)
            for at in range(0, whole, 1024):
                part = tone[at : at + 1024][None]
                if heard == "aac":
                    block = av.AudioFrame.from_ndarray(part.astype(np.float32), "fltp", "mono")
                else:
                    whole_numbers = (part * 32767).astype(np.int16)
                    block = av.AudioFrame.from_ndarray(whole_numbers, "s16", "mono")
                block.pts, block.sample_rate = at, SOUND_RATE
                out.mux(track.encode(block))
            out.mux(track.encode(None))
    return path


class Clock:
    """A clock that only moves when somebody sleeps."""

    def __init__(self) -> None:
        self.now = 100.0

    def __call__(self) -> float:
        return self.now

    def sleep(self, seconds: float) -> None:
        self.now += seconds


def read_into(ring: PacketRing, path: Path, count: int, clock: Clock) -> list[Frame]:
    """So many frames of a clip that begins again at its end, with a tap, without waiting."""
    clip = Clip(path, loop=True, tap=ring, clock=clock, sleep=clock.sleep)
    clip.open()
    frames = [clip.read() for _ in range(count)]
    clip.close()
    return [f for f in frames if f is not None]


class Player:
    """Reads a source on a thread at its own pace, until it is closed or the source ends."""

    def __init__(self, source: Source) -> None:
        self._source = source
        self._stop = threading.Event()
        self._there = threading.Condition()
        self.seen: list[tuple[int, float]] = []
        self._thread = threading.Thread(target=self._play, daemon=True)

    def _play(self) -> None:
        self._source.open()
        try:
            while not self._stop.is_set() and (frame := self._source.read()) is not None:
                with self._there:
                    self.seen.append((number_of(frame), frame.arrived_s))
                    self._there.notify_all()
        finally:
            self._source.close()

    def __enter__(self) -> Player:
        self._thread.start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._stop.set()
        self._source.close()
        self._thread.join(20)

    def wait(self, more: int, timeout_s: float = 60.0) -> None:
        """Wait for so many frames more."""
        with self._there:
            want = len(self.seen) + more
            assert self._there.wait_for(lambda: len(self.seen) >= want, timeout_s)


def wait_until(met: Callable[[], bool], timeout_s: float = 60.0) -> None:
    """Wait for a condition."""
    limit = time.monotonic() + timeout_s
    while not met():
        assert time.monotonic() < limit, "it did not come"
        time.sleep(0.01)


def click_times(path: Path) -> list[float]:
    """When the clicks of a file's sound begin, by its timestamps, in seconds."""
    found: list[float] = []
    quiet_s = 1.0
    with av.open(str(path)) as container:
        for block in container.decode(audio=0):
            samples = block.to_ndarray().astype(np.float64)
            level = np.abs(samples.reshape(-1) if samples.shape[0] == 1 else samples[0])
            level = level / (1.0 if block.format.name.startswith("flt") else 32768.0)
            start = float(block.time or 0.0)
            for at, loud in enumerate(level > 0.1):
                if loud and quiet_s > 0.3:
                    found.append(start + at / block.sample_rate)
                quiet_s = 0.0 if loud else quiet_s + 1 / block.sample_rate
    return found
