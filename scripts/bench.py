"""Measure speed on this machine: `make bench`, or `python scripts/bench.py [--quick]`.

Every figure that is printed is a ratio of two things measured in the same run, alternately, so
that a busy machine slows both. The seconds behind them go into a JSON file in bench/. The evening
has nothing beside it: its shares are ratios, its pictures a minute are this machine's.

`python scripts/bench.py --people 100` makes a whole evening, and nothing else.
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import sys
import tempfile
from datetime import datetime
from importlib.metadata import version
from pathlib import Path
from typing import Any

# Before torch is loaded, as the command `posewall` does it.
os.environ.setdefault("OMP_WAIT_POLICY", "PASSIVE")
sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

import cv2
import torch

from demo_clips import make, scenario
from scripts.evening import TEMPLATES, evening
from scripts.living import living
from scripts.pictures import clip_frame, compositing, cutting, printing
from scripts.timing import tell
from stream.capture.stills import read_still
from stream.event import Event
from stream.live.wishes import bound_threads

ROOT = Path(__file__).resolve().parent.parent
LIBRARIES = ("torch", "numpy", "opencv-python", "av", "pillow")


def machine() -> dict[str, object]:
    """What these figures belong to."""
    model = platform.processor() or platform.machine()
    cpus = Path("/proc/cpuinfo")
    if cpus.exists():
        lines = cpus.read_text("utf-8").splitlines()
        model = next((x.split(":")[1].strip() for x in lines if x.startswith("model name")), model)
    return {
        "processor": model,
        "cores": os.cpu_count(),
        "threads": torch.get_num_threads(),
        "load": os.getloadavg()[0] if hasattr(os, "getloadavg") else None,
        "system": platform.platform(),
        "python": platform.python_version(),
        **{name: version(name) for name in LIBRARIES},
    }


def main() -> int:
    """Measure, print, and write bench/*.json."""
    parser = argparse.ArgumentParser(description="Measure speed on this machine, as ratios.")
    parser.add_argument("--seconds", type=float, default=12.0, help="of the live program")
    parser.add_argument("--repeats", type=int, default=15, help="of each piece of work")
    parser.add_argument("--quick", action="store_true", help="few repeats: only to see it run")
    parser.add_argument(
        "--people", type=int, help="make the pictures of so many people by two templates, no more"
    )
    args = parser.parse_args()
    if args.people is not None and args.people < 1:
        parser.error(f"--people {args.people}: need at least 1")
    # As many threads as a worker by itself has, and the plain key as many.
    cv2.setNumThreads(torch.get_num_threads())
    repeats = 2 if args.quick else max(3, args.repeats)
    made = make.MADE
    make.make(made)
    about = machine()
    print(", ".join(f"{k} {v}" for k, v in about.items()), flush=True)
    print("copy: moving the same bytes; plain: the simplest key, scripts/plainkey.py\n", flush=True)
    rows: list[dict[str, Any]] = []

    def add(result: dict[str, Any]) -> None:
        rows.append(result)
        tell(result)

    templates = [made / "event" / "templates" / name for name in TEMPLATES]
    if args.people is not None:
        add(evening(made, args.people, templates, progress=True))
        _write(about, rows)
        return 1 if rows[0]["failed"] else 0
    with tempfile.TemporaryDirectory(prefix="posewall-bench-") as folder:
        event = Event.create(
            Path(folder) / "event",
            "Bench",
            roster=made / "event" / "roster.csv",
            templates=templates,
        )
        frame, plate = clip_frame(made / "clip.mp4"), read_still(made / "plates" / "clip.png")
        still = read_still(made / "stills" / "portrait_6mp.jpg")
        still_plate = read_still(made / "plates" / "portrait_6mp.jpg")
        add(cutting("final cut, 1280x720", frame, plate, repeats))
        high, wide = still.upright_size
        add(cutting(f"final cut, {wide}x{high}", still, still_plate, max(2, repeats // 2)))
        add(printing(made, event, max(2, repeats // 4), [scenario.EVENING]))
        add(printing(made, event, max(2, repeats // 4), TEMPLATES))
        add(evening(made, 2 if args.quick else 5, templates))
        bound_threads()  # what the live program allows itself
        add(compositing(frame, plate, event, repeats))
        add(living(made, event, 3.0 if args.quick else max(10.0, args.seconds)))
    _write(about, rows)
    return 0


def _write(about: dict[str, object], rows: list[dict[str, Any]]) -> None:
    out = ROOT / "bench" / f"{datetime.now().astimezone():%Y%m%d-%H%M%S}.json"
    out.parent.mkdir(exist_ok=True)
    out.write_text(json.dumps({"machine": about, "rows": rows}, indent=1) + "\n", "utf-8")
    print(f"\nWritten: {out}")


if __name__ == "__main__":
    sys.exit(main())
