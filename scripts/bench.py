"""Measure speed on this machine: `make bench`, or `python scripts/bench.py [--quick]`.

Every figure that is printed is a ratio of two things measured in the same run, alternately, so
that a busy machine slows both; medians of repeats, the first run of each kept apart as cold. The
live program's delays and memory are this machine's own, and so are the evening's pictures a minute.
Everything behind the figures goes into a JSON file in bench/, and a picture of it beside that.

`--minutes 20` watches a long run besides; `--people 100` makes a whole evening, and nothing else.
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import sys
import tempfile
from collections.abc import Callable
from datetime import datetime
from importlib.metadata import version
from pathlib import Path
from typing import Any

# Before torch is loaded, as the command `posewall` does it.
os.environ.setdefault("OMP_WAIT_POLICY", "PASSIVE")
sys.path.insert(0, str(Path(__file__).resolve().parent.parent))
from scripts.beginning import CORES

# isort: split
import cv2
import torch

from demo_clips import make, scenario
from scripts.cards import card_name, on_card
from scripts.evening import TEMPLATES, evening
from scripts.keying import against_pixels, job, over_baseline
from scripts.large import large
from scripts.lasting import lasting
from scripts.living import MOST_P99_MS, living
from scripts.pictures import clip_frame, compositing, cutting, printing
from scripts.plots import draw
from scripts.timing import tell
from stream.capture.stills import read_still
from stream.event import Event
from stream.live.wishes import bound_threads

ROOT = Path(__file__).resolve().parent.parent
LIBRARIES = ("torch", "numpy", "opencv-python", "av", "pillow", "numba")
QUICK_SIZES = ((360, 640), (720, 1280), (1080, 1920))
Add = Callable[[dict[str, Any]], None]


def machine() -> dict[str, object]:
    """What these figures belong to."""
    model = platform.processor() or platform.machine()
    cpus = Path("/proc/cpuinfo")
    if cpus.exists():
        lines = cpus.read_text("utf-8").splitlines()
        model = next((x.split(":")[1].strip() for x in lines if x.startswith("model name")), model)
    return {
        "processor": model,
        "cores": CORES,
        "threads": torch.get_num_threads(),
        "load": os.getloadavg()[0] if hasattr(os, "getloadavg") else None,
        "graphics": card_name() or "no CUDA",
        "system": platform.platform(),
        "python": platform.python_version(),
        **{name: version(name) for name in LIBRARIES},
    }


def _options() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description="Measure speed on this machine, as ratios.")
    parser.add_argument("--seconds", type=float, default=60.0, help="of the live program")
    parser.add_argument("--repeats", type=int, default=15, help="of each piece of work")
    parser.add_argument("--minutes", type=float, help="watch a long run of the live program, too")
    parser.add_argument("--quick", action="store_true", help="few repeats: only to see it run")
    parser.add_argument("--made", type=Path, default=make.MADE, help="the demo's pictures")
    parser.add_argument("--out", type=Path, default=ROOT / "bench", help="folder of the results")
    parser.add_argument(
        "--only",
        default="",
        help="measure only these, apart by spaces: final prints evening large "
        "keying pixels live card",
    )
    parser.add_argument(
        "--people", type=int, help="make the pictures of so many people by two templates, no more"
    )
    args = parser.parse_args()
    if args.people is not None and args.people < 1:
        parser.error(f"--people {args.people}: need at least 1")
    for name in ("seconds", "minutes", "repeats"):
        value = getattr(args, name)
        if value is not None and not 0 < value < float("inf"):
            parser.error(f"--{name} {value}: need a number above 0")
    known = ("final", "prints", "evening", "large", "keying", "pixels", "live", "card")
    if unknown := set(args.only.split()) - set(known):
        parser.error(f"--only {' '.join(sorted(unknown))}: known are {' '.join(known)}")
    args.only = set(args.only.split()) or set(known)
    return args


def _measure(args: argparse.Namespace, templates: list[Path], folder: Path, add: Add) -> None:
    """Everything that was asked for, one after another."""
    made, quick = args.made, args.quick
    repeats = 2 if quick else max(3, args.repeats)
    event = Event.create(
        folder / "event", "Bench", roster=made / "event" / "roster.csv", templates=templates
    )
    frame, plate = clip_frame(made / "clip.mp4"), read_still(made / "plates" / "clip.png")
    if "final" in args.only:
        still = read_still(made / "stills" / "portrait_6mp.jpg")
        still_plate = read_still(made / "plates" / "portrait_6mp.jpg")
        add(cutting("final cut, 1280x720", frame, plate, 1 if quick else repeats))
        if not quick:
            high, wide = still.upright_size
            add(cutting(f"final cut, {wide}x{high}", still, still_plate, max(2, repeats // 2)))
    if "prints" in args.only and not quick:
        add(printing(made, event, max(2, repeats // 4), [scenario.EVENING]))
        add(printing(made, event, max(2, repeats // 4), TEMPLATES))
    if "evening" in args.only and not quick:
        add(evening(made, 5, templates))
    if "large" in args.only and not quick:
        add(large(made))
    bound_threads()  # what the live program allows itself
    if "keying" in args.only:
        add(compositing(frame, plate, event, repeats))
        for size, height in (((720, 1280), 720), ((1080, 1920), 1080), ((1080, 1920), 720)):
            if not quick or height == size[0]:
                for row in over_baseline(job(frame, plate, event, size, height), repeats):
                    add(row)
    if "pixels" in args.only:
        sizes = {"sizes": QUICK_SIZES} if quick else {}
        add(against_pixels(frame, plate, event, max(2, repeats // 3), **sizes))
    if "card" in args.only:
        on_card(frame, plate, event, 5 if quick else 50, add)
    if "live" in args.only:
        seconds, most = (3.0, 60) if quick else (args.seconds, 1 << 12)
        for scale in (1.0,) if quick else (1.0, 1.5):
            add(living(made, event, folder, seconds, scale=scale, most=most))
    if args.minutes is not None:
        add(lasting(made, event, folder, args.minutes))


def main() -> int:
    """Measure, print, and write a JSON file and a picture."""
    args = _options()
    # As many threads as a worker by itself has, and the plain key as many.
    cv2.setNumThreads(torch.get_num_threads())
    if args.made == make.MADE:
        make.make(args.made)
    about = machine()
    print(", ".join(f"{k} {v}" for k, v in about.items()), flush=True)
    print("copy: moving the same bytes; plain: the simplest key, scripts/plainkey.py;", flush=True)
    print("baseline: the live grade in OpenCV and NumPy, scripts/baseline.py\n", flush=True)
    rows: list[dict[str, Any]] = []

    def add(result: dict[str, Any]) -> None:
        rows.append(result)
        tell(result)

    templates = [args.made / "event" / "templates" / name for name in TEMPLATES]
    if args.people is not None:
        add(evening(args.made, args.people, templates, progress=True))
        _write(args.out, about, rows)
        return 1 if rows[0]["failed"] else 0
    if args.quick:
        print(
            "Quick: one or two repeats, without prints, evening, large stills and the 1080p run.\n"
        )
    with tempfile.TemporaryDirectory(prefix="posewall-bench-") as folder:
        _measure(args, templates, Path(folder), add)
    _write(args.out, about, rows)
    return 0


def _write(out: Path, about: dict[str, object], rows: list[dict[str, Any]]) -> None:
    out.mkdir(exist_ok=True, parents=True)
    name = f"{datetime.now().astimezone():%Y%m%d-%H%M%S}"
    told = out / f"{name}.json"
    told.write_text(json.dumps({"machine": about, "rows": rows}, indent=1) + "\n", "utf-8")
    picture = out / f"{name}.png"
    drawn = draw(rows, about, picture, MOST_P99_MS)
    print(f"\nWritten: {told}" + (f" and {picture}" if drawn else ""))


if __name__ == "__main__":
    sys.exit(main())
