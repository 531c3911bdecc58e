"""The live program in a process of its own, measured from inside.

``python -m scripts.programme OUT.json EVENT SOURCE PLATE TEMPLATE HEIGHT EVERY_S``: prints a line
of JSON once pictures come, then one every so many seconds; ends when its input does, and writes
when each frame came and what the stages cost.
"""

from __future__ import annotations

import contextlib
import json
import select
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from scripts.timecode import FPS
from stream.capture.frame import Frame
from stream.event import Event
from stream.live import figures, intake
from stream.live.link import read_link
from stream.live.session import Session
from stream.live.wishes import Wishes

START_S = 120.0
WARM = 30
"""Pictures that are let by before anything counts."""


def resident_bytes() -> dict[str, int]:
    """Memory that this process holds, and the most that it ever held; empty where not told."""
    status = Path("/proc/self/status")
    if not status.exists():
        return {}
    lines = dict(x.split(":", 1) for x in status.read_text("utf-8").splitlines() if ":" in x)
    return {
        name: int(lines[key].split()[0]) * 1024
        for name, key in (("now", "VmRSS"), ("peak", "VmHWM"))
        if key in lines
    }


class Noted:
    """When each frame came, and the processor time of each stage's own thread.

    Attributes:
        came: number of the frame by its time stamp, and the wall clock at its arrival.
        spent: seconds of each stage.
    """

    def __init__(self) -> None:
        self.came: list[tuple[int, float]] = []
        self.spent: dict[str, float] = {}
        self._ahead = time.time() - time.monotonic()

    @contextlib.contextmanager
    def noting(self) -> Iterator[None]:
        """Look at every frame and every stage, for as long as the block lasts."""
        read, timed = intake.TimedSource.read, figures.Stages.timed

        def noted_read(source: intake.TimedSource) -> Frame | None:
            start = time.thread_time()
            frame = read(source)
            self._add("capture", time.thread_time() - start)
            if frame is not None and frame.pts is not None and frame.time_base is not None:
                number = round(frame.pts * frame.time_base * FPS)
                self.came.append((number, frame.arrived_s + self._ahead))
            return frame

        @contextlib.contextmanager
        def noted_timed(stages: figures.Stages, stage: str) -> Iterator[None]:
            start = time.thread_time()
            with timed(stages, stage):
                yield
            self._add(stage, time.thread_time() - start)

        intake.TimedSource.read = noted_read  # type: ignore[method-assign, assignment]
        figures.Stages.timed = noted_timed  # type: ignore[method-assign, assignment]
        try:
            yield
        finally:
            intake.TimedSource.read = read  # type: ignore[method-assign]
            figures.Stages.timed = timed  # type: ignore[method-assign]

    def _add(self, stage: str, seconds: float) -> None:
        self.spent[stage] = self.spent.get(stage, 0.0) + seconds


def _reading(session: Session, noted: Noted) -> dict[str, Any]:
    now = session.meter.read()
    return {
        "wall": time.time(),
        "cpu": time.process_time(),
        "spent": dict(noted.spent),
        "resident": resident_bytes(),
        "threads": threading.active_count(),
        # What the program makes less of, where it does that to keep up.
        "quality": session.state().get("quality"),
        **{
            key: getattr(now, key)
            for key in ("frames_in", "frames_out", "dropped", "late", "errors",
                        "delay_p50_ms", "delay_p99_ms", "shown_p50_ms", "shown_p99_ms")
        },
    }  # fmt: skip


def _say(words: dict[str, Any]) -> None:
    print(json.dumps(words), flush=True)


def _ended(wait_s: float) -> bool:
    return bool(select.select([sys.stdin], [], [], wait_s)[0])


def main(words: list[str]) -> int:
    """Run until the input ends."""
    out, folder, source, plate, template, height, every_s = words
    wishes = Wishes(
        source=source, template=template, port=0, batch=False, plate=Path(plate),
        preview_height=int(height),
    )  # fmt: skip
    noted = Noted()
    said: list[str] = []
    begun = time.perf_counter()
    with noted.noting():
        session = Session(Event.open(Path(folder)), wishes, tell=said.append)
        try:
            session.start()
            session.set_next(["103"])
            link = read_link(session.event.paths.root)
            assert link is not None
            while session.meter.read().frames_out < WARM:
                if time.perf_counter() - begun > START_S:
                    _say({"failed": f"the live picture did not come: {' '.join(said)}"})
                    return 1
                if _ended(0.05):
                    return 1
            first_s = time.perf_counter() - begun
            # Kernels are made ready beside the picture, from soon after it on; what is measured is
            # what stays.
            if _ended(1.5):
                return 1
            while session.state().get("making_ready"):
                if _ended(0.2) or time.perf_counter() - begun > START_S:
                    break
            _say({"port": link.port, "token": link.token, "first_s": first_s,
                  "device": session.meter.device, **_reading(session, noted)})  # fmt: skip
            while not _ended(float(every_s)):
                _say(_reading(session, noted))
            last = _reading(session, noted)
        finally:
            session.stop()
    Path(out).write_text(json.dumps({"came": noted.came, "last": last}), "utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
