"""Where the time of a picture goes: ``python -m scripts.stages OUT.json batch run --event DIR``.

Runs the real command with a clock around each stage, and writes what they took and the most memory
that the process ever held. A stage's time is its own: what it calls of other stages is not in it.
"""

from __future__ import annotations

import json
import sys
import threading
import time
from collections import defaultdict
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import stream.batch.making as making
import stream.batch.render as render
import stream.template.scene as scene
import stream.template.template as template
from models.analysis import Analysis
from models.keyer import Keyer
from models.solver import Solver
from stream.cli import main as posewall
from stream.event import Event

PLACES: tuple[tuple[Any, str, str], ...] = (
    (render, "load_frame", "read"),
    (render, "load_plate", "read"),
    (Event, "template_version", "design"),
    (template, "make_scene", "design"),
    (scene, "make_scene", "design"),
    (template.Template, "setting", "words"),
    (template.Template, "code_setting", "words"),
    (template, "draw", "words"),
    (template, "draw_code", "words"),
    (Analysis, "__call__", "analysis"),
    (Keyer, "place", "scale"),
    (Solver, "cut", "key"),
    (Keyer, "lay", "lay"),
    (Keyer, "print", "lay"),
    (making, "picture_bytes", "encode"),
    (making, "replace_file", "write"),
    (making, "make_pictures", "rest"),
)
"""What is timed and under which name; ``rest`` is what a shot takes beside the others."""


class Stages:
    """Adds up the time of each stage; one thread at a time is in one.

    Attributes:
        seconds: of each stage, its own.
        shots: of each shot, all in all.
    """

    def __init__(self) -> None:
        self.seconds: dict[str, float] = defaultdict(float)
        self.shots: list[float] = []
        self._inner = threading.local()

    @contextmanager
    def timing(self) -> Iterator[None]:
        """Clocks around every stage, for as long as the block lasts."""
        before = [(owner, name, getattr(owner, name)) for owner, name, _ in PLACES]
        try:
            for owner, name, stage in PLACES:
                setattr(owner, name, self._timed(getattr(owner, name), stage))
            yield
        finally:
            for owner, name, work in before:
                setattr(owner, name, work)

    def shares(self) -> dict[str, float]:
        """Of the time of all stages together, each one's part; the largest first."""
        total = sum(self.seconds.values()) or 1.0
        found = sorted(self.seconds.items(), key=lambda item: -item[1])
        return {name: seconds / total for name, seconds in found}

    def _timed(self, work: Callable[..., Any], stage: str) -> Callable[..., Any]:
        def timed(*args: Any, **more: Any) -> Any:
            outer = getattr(self._inner, "seconds", 0.0)
            self._inner.seconds = 0.0
            start = time.perf_counter()
            try:
                return work(*args, **more)
            finally:
                took = time.perf_counter() - start
                self.seconds[stage] += took - self._inner.seconds
                self._inner.seconds = outer + took
                if stage == "rest":
                    self.shots.append(took)

        return timed


def peak_bytes() -> int | None:
    """The most memory that this process has held; None where the system does not tell.

    Not `getrusage`: there a child begins with what its parent holds.
    """
    status = Path("/proc/self/status")
    if not status.exists():
        return None
    lines = status.read_text("utf-8").splitlines()
    return next((int(x.split()[1]) * 1024 for x in lines if x.startswith("VmHWM")), None)


def main(words: list[str]) -> int:
    """Run a command of the program and write its stages."""
    stages = Stages()
    with stages.timing():
        code = posewall(words[1:])
    told = {"seconds": stages.seconds, "shots": stages.shots, "peak_bytes": peak_bytes()}
    Path(words[0]).write_text(json.dumps(told), "utf-8")
    return code


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
