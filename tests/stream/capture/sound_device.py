"""A sound card of the tests' own: plain samples through a pipe with a name, at their own pace."""

from __future__ import annotations

import os
import threading
import time
from contextlib import suppress
from pathlib import Path

import numpy as np

from stream.capture.container import Target

RATE = 48_000
_STEP = 960  # samples a packet, 20 ms
CLICK_S = 0.05


class SoundDevice:
    """Clicks whenever the computer's clock comes to a whole second; silence between."""

    def __init__(self, path: Path, *, silent: bool = False) -> None:
        os.mkfifo(path)
        self.path = path
        self._silent = silent
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

    def unplug(self) -> None:
        """Nothing comes any more."""
        self._stop.set()

    def _run(self) -> None:
        with suppress(BrokenPipeError), self.path.open("wb", buffering=0) as pipe:
            begun_s, count = time.monotonic(), 0
            while not self._stop.is_set():
                times = begun_s + (count + np.arange(_STEP)) / RATE
                loud = (times % 1 < CLICK_S) & (not self._silent)
                samples = (12_000 * np.sin(2 * np.pi * 1000 * times) * loud).astype("<i2")
                count += _STEP
                # As a sound card does: samples are handed over once the last of them was heard.
                time.sleep(max(0.0, begun_s + count / RATE - time.monotonic()))
                pipe.write(samples.tobytes())
