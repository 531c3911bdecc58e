"""One source as the live program runs it, without pages: capture, keyer, template; its figures."""

from __future__ import annotations

import os
import threading
import time
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import torch

from models import kernels
from models.keyer import Grade, Keyer, KeySettings
from stream.capture.frame import Frame
from stream.capture.source import Source, open_source
from stream.capture.watch import Watched, WatchState
from stream.live.intake import TimedSource
from stream.live.scenes import Setting
from stream.live.slot import Slot
from stream.template import load_template, preview_size

# chosen: the first frames compile, allocate and fill caches; they are not counted.
SETTLE_S = 2.0
START_S = 180.0
_WAIT_S = 0.25


@dataclass(frozen=True)
class Job:
    """What one source runs.

    Attributes:
        clip: the file that is played by its timestamps.
        design: the template's folder.
        device: where frames are keyed.
        decode: where files are decoded: the same, or "cpu".
        height: of the composite, in pixels.
        download: fetch every composite into main memory, as the live program does.
    """

    clip: Path
    design: Path
    device: str
    decode: str
    height: int
    download: bool = True


@dataclass
class _Counted:
    """What was counted since a moment."""

    delays_s: list[tuple[float, ...]] = field(default_factory=list)
    """From each frame's arrival to its composite and, where it is downloaded, to its end: in one
    list, since another thread reads while this one still counts."""
    keyer_s: float = 0.0
    keyer_wall_s: float = 0.0
    reader_s: float = 0.0
    card_s: float = 0.0
    on_card: int = 0


class Station:
    """One source, its keyer and its template.

    Attributes:
        fused: the keyer uses kernels that are fused for the device.
    """

    def __init__(self, job: Job) -> None:
        self._job = job
        self._device = torch.device(job.device)
        template = load_template(job.design)
        size = preview_size(template.picture_size(), job.height)
        self._setting = Setting(template, template.scene(size, {}, device=job.device), size)
        self._keyer = Keyer(Grade.LIVE, KeySettings(), job.device, clip=True)
        self.fused = kernels.load(job.device)
        if self.fused:
            self._keyer.use_kernels()
        self._counted = _Counted()
        self._slot: Slot[Frame] = Slot()
        self._stop = threading.Event()
        self._begun = threading.Event()
        self._failure = ""

    def warm(self) -> None:
        """Compile and allocate what the first frames need."""
        self.run(0.1, 0.5)

    def run(self, seconds: float, settle_s: float = SETTLE_S) -> dict[str, Any]:
        """Play the clip for a while.

        Args:
            seconds: how long frames are counted.
            settle_s: how long the first ones are not.

        Returns:
            Figures of this source; "failure" says why there are none.
        """
        self._slot, self._stop, self._begun = Slot(), threading.Event(), threading.Event()
        self._failure = ""

        def make() -> Source:
            job = self._job
            return TimedSource(open_source(str(job.clip), loop=True, device=job.decode), self._read)

        watched = Watched(make, name=self._job.clip.name)
        threads = [
            threading.Thread(target=self._take_in, args=(watched,), name="capture", daemon=True),
            threading.Thread(target=self._guarded, name="key", daemon=True),
        ]
        with watched:
            for thread in threads:
                thread.start()
            until = time.monotonic() + START_S
            while not self._begun.wait(0.1) and not self._failure and time.monotonic() < until:
                if watched.status.state in (WatchState.ENDED, WatchState.LOST):
                    self._failure = watched.status.sentence
            self._stop.wait(settle_s if self._begun.is_set() else 0)
            figures = self._measured(watched, seconds)
            self._stop.set()
            self._slot.close()
        for thread in threads:
            thread.join(10)
        return {"failure": self._failure} if self._failure else figures

    def _measured(self, watched: Watched, seconds: float) -> dict[str, Any]:
        counted = self._counted = _Counted()
        came, passed = watched.frames_in, watched.frames_dropped + self._slot.passed_over
        process_s, start = time.process_time(), time.perf_counter()
        self._stop.wait(seconds)
        elapsed = time.perf_counter() - start
        process_s = time.process_time() - process_s
        came = watched.frames_in - came
        passed = watched.frames_dropped + self._slot.passed_over - passed
        delays = list(counted.delays_s)
        out = max(len(delays), 1)
        return {
            "failure": "" if delays else "no picture came",
            "elapsed": elapsed,
            "fps_in": came / elapsed,
            "fps_out": len(delays) / elapsed,
            "dropped": passed,
            "composed_ms": _spread([delay[0] for delay in delays]),
            "fetched_ms": _spread([delay[1] for delay in delays if len(delay) > 1]),
            "reader_ms": counted.reader_s / max(came, 1) * 1e3,
            "keyer_ms": counted.keyer_s / out * 1e3,
            "keyer_wall_ms": counted.keyer_wall_s / out * 1e3,
            "card_ms": counted.card_s / out * 1e3,
            "on_card": counted.on_card / out,
            "fused": self.fused,
            "python_share": (counted.reader_s + counted.keyer_s) / elapsed,
            "process": os.getpid(),
            "process_s": process_s,
        }

    def _read(self, thread_s: float) -> None:
        self._counted.reader_s += thread_s

    def _take_in(self, watched: Watched) -> None:
        index = -1
        while not self._stop.is_set():
            frame = watched.latest(index, _WAIT_S)
            if frame is not None:
                index = frame.index
                self._slot.put(frame)

    def _guarded(self) -> None:
        try:
            while not self._stop.is_set():
                frame = self._slot.take(_WAIT_S)
                if frame is not None:
                    self._key(frame)
        except Exception as e:  # noqa: BLE001 - told with the figures
            self._failure = f"{type(e).__name__}: {e}"
            self._stop.set()

    def _key(self, frame: Frame) -> None:
        counted, job = self._counted, self._job
        thread_s, start = time.thread_time(), time.perf_counter()
        placings = self._setting.placings(frame.upright_size, frame.arrived_s)
        before = self._mark()
        done = self._keyer.composite(
            frame.planes, frame.encoding, frame.quarter_turns, self._setting.scene, placings
        )
        after = self._mark()
        if after is not None:
            after.synchronize()
        ends = [time.monotonic()]
        if job.download:
            done.picture.cpu().numpy()
            ends.append(time.monotonic())
        counted.delays_s.append(tuple(end - frame.arrived_s for end in ends))
        counted.keyer_s += time.thread_time() - thread_s
        counted.keyer_wall_s += time.perf_counter() - start
        counted.on_card += frame.device.type == "cuda"
        if before is not None and after is not None:
            counted.card_s += before.elapsed_time(after) / 1e3
        self._begun.set()

    def _mark(self) -> torch.cuda.Event | None:
        if self._device.type != "cuda":
            return None
        event = torch.cuda.Event(enable_timing=True, blocking=True)  # type: ignore[no-untyped-call]
        event.record()
        return event


def _spread(seconds: list[float]) -> dict[str, float]:
    """Median, 99th percentile and most, in milliseconds."""
    if not seconds:
        return {}
    values = np.array(seconds) * 1e3
    return {
        "p50": float(np.percentile(values, 50)),
        "p99": float(np.percentile(values, 99)),
        "most": float(values.max()),
    }
