"""Where the time of a picture goes: ``python -m scripts.stages OUT.json batch run --event DIR``.

Runs the real command with a clock around each stage, and writes what they took and the most memory
that the process ever held.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path

import stream.batch.making as making
import stream.batch.render as render
import stream.template.scene as scene
import stream.template.template as template
from models.analysis import Analysis
from models.keyer import Keyer
from models.solver import Solver
from scripts.clocks import Clocks, Place
from stream.cli import main as posewall
from stream.event import Event

PLACES: tuple[Place, ...] = (
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
    clocks = Clocks(PLACES)
    with clocks.running():
        code = posewall(words[1:])
    told = {"seconds": clocks.seconds, "shots": clocks.calls["rest"], "peak_bytes": peak_bytes()}
    Path(words[0]).write_text(json.dumps(told), "utf-8")
    return code


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
