"""A sound card of the tests' own: plain samples through a pipe with a name.

Its clock is the tests' own, too: it goes on by a packet once the one before was read, and never
faster than the computer's. So on a busy computer everything takes longer, and nothing comes late.
"""

from __future__ import annotations

import array
import fcntl
import os
import termios
import threading
import time
from contextlib import suppress
from pathlib import Path

import numpy as np

from stream.capture.container import Target

RATE = 48_000
_STEP = 960  # samples a packet, 20 ms
STEP_S = _STEP / RATE
CLICK_S = 0.05


class SoundDevice:
    """Clicks whenever its clock comes to a whole second; silence between.

    Attributes:
        waits_for: how many threads that `sleep` the clock does not run ahead of.
    """

    def __init__(self, path: Path, *, silent: bool = False) -> None:
        os.mkfifo(path)
        self.path = path
        self.waits_for = 0
        self._silent = silent
        self._now = 100.0
        self._there = threading.Condition()
        self._sleeping: list[float] = []
        self._held = threading.Event()
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)

    @property
    def target(self) -> Target:
        """What a microphone opens for it."""
        options = {"sample_rate": str(RATE), "ch_layout": "mono"}
        return Target(str(self.path), "Desk", "s16le", options)

    def __enter__(self) -> SoundDevice:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._stop.set()
        with suppress(OSError):  # whoever waits for a reader
            os.close(os.open(self.path, os.O_RDONLY | os.O_NONBLOCK))
        self._thread.join(20)

    def clock(self) -> float:
        """Its clock, in seconds."""
        with self._there:
            return self._now

    def sleep(self, seconds: float) -> None:
        """Wait until its clock has gone on by so much."""
        with self._there:
            until = self._now + seconds - 1e-6  # sums of steps are rounded
            self._sleeping.append(until)
            self._there.wait_for(lambda: self._now >= until or self._stop.is_set())
            self._sleeping.remove(until)

    def unplug(self) -> None:
        """Nothing comes any more."""
        self._stop.set()

    def hang(self, hangs: bool = True) -> None:
        """Nothing comes, as from a device that does not answer; False: it goes on."""
        (self._held.set if hangs else self._held.clear)()

    def _run(self) -> None:
        with suppress(BrokenPipeError), self.path.open("wb", buffering=0) as pipe:
            while not self._stop.is_set():
                times = self._now + np.arange(_STEP) / RATE
                loud = (times % 1 < CLICK_S) & (not self._silent)
                samples = (12_000 * np.sin(2 * np.pi * 1000 * times) * loud).astype("<i2")
                time.sleep(STEP_S)
                while self._held.is_set() or not self._everybody_sleeps():
                    if self._stop.wait(0.001):
                        return
                # As a sound card does: samples are handed over once the last of them was heard.
                with self._there:
                    self._now += STEP_S
                    self._there.notify_all()
                pipe.write(samples.tobytes())
                while _unread(pipe.fileno()) and not self._stop.wait(0.001):
                    pass

    def _everybody_sleeps(self) -> bool:
        with self._there:
            return sum(until > self._now for until in self._sleeping) >= self.waits_for


def _unread(pipe: int) -> int:
    """Bytes that lie in a pipe."""
    found = array.array("i", [0])
    fcntl.ioctl(pipe, termios.FIONREAD, found)
    return found[0]
