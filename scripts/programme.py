"""The live program in a process of its own, measured from inside.

``python -m scripts.programme OUT.json EVENT SOURCE PLATE TEMPLATE HEIGHT EVERY_S``: prints a line
of JSON once pictures come by what keys them from then on (the kernels, where the device has some),
then one every so many seconds; ends when its input does, and writes when each frame came and what
the stages cost.
"""

from __future__ import annotations

import contextlib
import json
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

from models.kernels.fused import Fused
from models.keyer import Keyer
from scripts.timecode import FPS
from stream.capture.frame import Frame
from stream.event import Event
from stream.live import figures, intake
from stream.live.compiling import Compiling
from stream.live.link import read_link
from stream.live.session import Session
from stream.live.wishes import Wishes
from stream.own_process import at_end_of_input

START_S = 120.0
MAKING_S = 600.0
"""How long kernels that are not in the cache may take to be compiled."""
WARM = 30
"""Pictures that are let by before anything counts, and again once the kernels are used."""


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
        compiling: what makes the kernels ready; None before it has begun.
    """

    def __init__(self) -> None:
        self.came: list[tuple[int, float]] = []
        self.spent: dict[str, float] = {}
        self.compiling: Compiling | None = None
        self._keying: int | None = None
        self._switches: list[tuple[int, float, str]] = []
        self._ahead = time.time() - time.monotonic()

    def switches(self) -> list[tuple[float, str]]:
        """When what keys the pictures changed, on the wall clock, and to what.

        Other keyers, such as the one that kernels are tried by first, do not count.
        """
        return [(at, path) for thread, at, path in list(self._switches) if thread == self._keying]

    @property
    def path(self) -> str:
        """What keys the pictures now: "torch" or "kernels"."""
        found = self.switches()
        return found[-1][1] if found else "torch"

    @contextlib.contextmanager
    def noting(self) -> Iterator[None]:
        """Look at every frame and every stage, for as long as the block lasts."""
        read, timed = intake.TimedSource.read, figures.Stages.timed
        use, drop, start_making = Keyer.use_kernels, Keyer.drop_kernels, Compiling.start

        def switched(keyer: Keyer) -> None:
            path = "torch" if keyer.parts == Fused() else "kernels"
            self._switches.append((threading.get_ident(), time.time(), path))

        def noted_use(keyer: Keyer, threads: int = 1) -> None:
            use(keyer, threads)
            switched(keyer)

        def noted_drop(keyer: Keyer) -> None:
            drop(keyer)
            switched(keyer)

        def noted_start(compiling: Compiling) -> None:
            self.compiling = compiling
            start_making(compiling)

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
            if stage == "key":
                self._keying = threading.get_ident()
            start = time.thread_time()
            with timed(stages, stage):
                yield
            self._add(stage, time.thread_time() - start)

        intake.TimedSource.read = noted_read  # type: ignore[method-assign, assignment]
        figures.Stages.timed = noted_timed  # type: ignore[method-assign, assignment]
        Keyer.use_kernels = noted_use  # type: ignore[method-assign, assignment]
        Keyer.drop_kernels = noted_drop  # type: ignore[method-assign, assignment]
        Compiling.start = noted_start  # type: ignore[method-assign, assignment]
        try:
            yield
        finally:
            intake.TimedSource.read = read  # type: ignore[method-assign]
            figures.Stages.timed = timed  # type: ignore[method-assign]
            Keyer.use_kernels = use  # type: ignore[method-assign]
            Keyer.drop_kernels = drop  # type: ignore[method-assign]
            Compiling.start = start_making  # type: ignore[method-assign]

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
        "path": noted.path,
        # What the program makes less of, where it does that to keep up.
        "quality": session.console.state().get("quality"),
        **{
            key: getattr(now, key)
            for key in ("frames_in", "frames_out", "dropped", "late", "errors",
                        "delay_p50_ms", "delay_p99_ms", "shown_p50_ms", "shown_p99_ms")
        },
    }  # fmt: skip


def _say(words: dict[str, Any]) -> None:
    print(json.dumps(words), flush=True)


class Ending:
    """Whether an input has ended: read by a thread, since only some systems can wait for a pipe.

    Args:
        descriptor: of the input. What comes before its end is passed over.
    """

    def __init__(self, descriptor: int) -> None:
        self._over = threading.Event()
        at_end_of_input(self._over.set, descriptor)

    def __call__(self, wait_s: float) -> bool:
        """Wait so long for the end; True when it is there."""
        return self._over.wait(wait_s)


def _wait(until: Callable[[], bool], limit_s: float, ended: Ending, why: str) -> None:
    """Wait for something; TimeoutError says ``why`` when it does not come, EOFError the end."""
    begun = time.monotonic()
    while not until():
        if time.monotonic() - begun > limit_s:
            raise TimeoutError(why)
        if ended(0.05):
            raise EOFError


def _settle(session: Session, noted: Noted, ended: Ending) -> tuple[float, dict[str, float] | None]:
    """Wait until pictures come by what will key them.

    Returns:
        Wall clock of the first pictures; and when the kernels were taken over, and how many
        pictures there were by then, None where there are none.
    """

    def made(count: int) -> bool:
        return session.meter.read().frames_out >= count

    _wait(lambda: made(WARM), START_S, ended, "the live picture did not come")
    first = time.time()
    _wait(lambda: noted.compiling is not None, START_S, ended, "no kernels were looked for")
    making = noted.compiling
    assert making is not None
    _wait(lambda: making.wait(0), MAKING_S, ended, f"no kernels after {MAKING_S:.0f} seconds")
    taken = None
    if making.ready:
        # They are taken over between two frames; and the first frames by them fill caches.
        _wait(lambda: bool(noted.switches()), START_S, ended, "the kernels were ready and not used")
        taken = {"wall": time.time(), "frames_out": session.meter.read().frames_out}
    until = session.meter.read().frames_out + WARM
    _wait(lambda: made(until), START_S, ended, "the live picture stood still")
    return first, taken


def main(words: list[str]) -> int:
    """Run until the input ends."""
    out, folder, source, plate, template, height, every_s = words
    wishes = Wishes(
        source=source, template=template, port=0, batch=False, plate=Path(plate),
        preview_height=int(height),
    )  # fmt: skip
    noted, ended = Noted(), Ending(sys.stdin.fileno())
    said: list[str] = []
    begun = time.time()
    with noted.noting():
        session = Session(Event.open(Path(folder)), wishes, tell=said.append)
        try:
            session.start()
            session.console.set_next(["103"])
            link = read_link(session.event.paths.root)
            assert link is not None
            first, taken = _settle(session, noted, ended)
            _say({"port": link.port, "token": link.token, "started": begun, "first": first,
                  "taken": taken,
                  "switches": noted.switches(), "device": session.meter.device,
                  **_reading(session, noted)})  # fmt: skip
            while not ended(float(every_s)):
                _say(_reading(session, noted))
            last = _reading(session, noted)
        except TimeoutError as error:
            _say({"failed": f"{error}: {' '.join(said)}"})
            return 1
        except EOFError:
            return 1
        finally:
            session.stop()
    Path(out).write_text(
        json.dumps({"came": noted.came, "switches": noted.switches(), "last": last}), "utf-8"
    )
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
