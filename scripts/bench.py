"""Measure speed on this machine: `make bench`, or `python scripts/bench.py [--quick]`.

Every figure that is printed is a ratio of two things measured in the same run, alternately, so
that a busy machine slows both, by one thread each; medians of repeats, the first run of each kept
apart as cold. How cost goes with pixels is measured by the live program's own number of threads.
The live program's delays and memory are this machine's own, as are the evening's pictures a minute.
Everything behind the figures goes into a JSON file in bench/, and a picture of it beside that,
after each row: a run that is broken off keeps what it measured. A row that cannot be measured says
why, the others go on, and the run ends with 1.

`--minutes 20` watches a long run besides; `--people 100` makes a whole evening, and nothing else.
"""

from __future__ import annotations

import argparse
import os
import platform
import sys
import tempfile
from datetime import datetime
from importlib.metadata import version
from pathlib import Path

# Before torch is loaded, as the command `posewall` does it.
os.environ.setdefault("OMP_WAIT_POLICY", "PASSIVE")
sys.path.insert(0, str(Path(__file__).resolve().parent.parent))
from scripts.beginning import CORES

# isort: split
import torch

from demo_clips import make, scenario
from scripts.cards import card_name, on_card
from scripts.evening import TEMPLATES, evening
from scripts.films import films
from scripts.firststart import compile_all, first_start
from scripts.keying import against_pixels, job, over_baseline
from scripts.large import large
from scripts.lasting import lasting
from scripts.living import MOST_P99_MS, living
from scripts.pictures import clip_frame, compositing, cutting, printing
from scripts.report import Report
from stream.capture.stills import read_still
from stream.device import pick_device
from stream.event import Event
from stream.live.wishes import bound_threads

ROOT = Path(__file__).resolve().parent.parent
LIBRARIES = ("torch", "numpy", "opencv-python", "av", "pillow", "numba")
QUICK_SIZES = ((360, 640), (720, 1280), (1080, 1920))


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
        help="measure only these, apart by spaces: final prints evening large films "
        "keying pixels live card long (the long run alone, with --minutes)",
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
    known = (
        *("final", "prints", "evening", "large", "films"),
        *("keying", "pixels", "live", "card", "long"),
    )
    if unknown := set(args.only.split()) - set(known):
        parser.error(f"--only {' '.join(sorted(unknown))}: known are {' '.join(known)}")
    if "long" in args.only.split() and args.minutes is None:
        parser.error("--only long: need --minutes, too")
    args.only = set(args.only.split()) or set(known)
    return args


def _measure(args: argparse.Namespace, templates: list[Path], folder: Path, report: Report) -> None:
    """Everything that was asked for, one after another."""
    made, quick, add = args.made, args.quick, report.add
    repeats = 2 if quick else max(3, args.repeats)
    event = None
    with report.measuring("the demo's event and clip"):
        frame, plate = clip_frame(made / "clip.mp4"), read_still(made / "plates" / "clip.png")
        event = Event.create(
            folder / "event", "Bench", roster=made / "event" / "roster.csv", templates=templates
        )
    if event is None:
        return  # nothing can be measured without
    if "final" in args.only:
        with report.measuring("final cut of a video frame"):
            add(cutting("final cut, 1280x720", frame, plate, 1 if quick else repeats))
    if "final" in args.only and not quick:
        with report.measuring("final cut of a still"):
            still = read_still(made / "stills" / "portrait_6mp.jpg")
            still_plate = read_still(made / "plates" / "portrait_6mp.jpg")
            high, wide = still.upright_size
            add(cutting(f"final cut, {wide}x{high}", still, still_plate, max(2, repeats // 2)))
    if "prints" in args.only and not quick:
        for names in ([scenario.EVENING], TEMPLATES):
            with report.measuring(f"final pictures, {len(names)} templates"):
                add(printing(made, event, max(2, repeats // 4), names))
    if "evening" in args.only and not quick:
        with report.measuring("evening"):
            add(evening(made, 5, templates))
    if "large" in args.only and not quick:
        with report.measuring("large"):
            add(large(made))
    if "films" in args.only and not quick:
        with report.measuring("films"):
            for row in films(made, templates[0], 2.0):
                add(row)
    bound_threads()  # what the live program allows itself
    if "keying" in args.only:
        with report.measuring("live composite"):
            add(compositing(frame, plate, event, repeats))
        for size, height in (((720, 1280), 720), ((1080, 1920), 1080), ((1080, 1920), 720)):
            if not quick or height == size[0]:
                with report.measuring(f"live, {size[1]}x{size[0]} for {height} rows"):
                    for row in over_baseline(job(frame, plate, event, size, height), repeats):
                        add(row)
    if "pixels" in args.only:
        with report.measuring("live composite against pixels"):
            sizes = {"sizes": QUICK_SIZES} if quick else {}
            add(against_pixels(frame, plate, event, max(2, repeats // 3), **sizes))
    if "card" in args.only:
        with report.measuring("card"):
            on_card(frame, plate, event, 5 if quick else 50, add)
    if "live" in args.only and not quick:
        with report.measuring("first start, nothing compiled"):
            add(first_start(made, event, folder))
    if "live" in args.only or args.minutes is not None:
        # Beside the picture, at low priority, compiling takes minutes, and nothing counts before.
        with report.measuring("compiling"):
            compile_all(pick_device("auto"))
    if "live" in args.only:
        seconds, most = (3.0, 60) if quick else (args.seconds, 1 << 12)
        for scale in (1.0,) if quick else (1.0, 1.5):
            with report.measuring(f"live program, {scale * 720:.0f}p"):
                add(living(made, event, folder, seconds, scale=scale, most=most))
    if args.minutes is not None:
        with report.measuring("long run"):
            add(lasting(made, event, folder, args.minutes))


def main() -> int:
    """Measure, print, and keep a JSON file and a picture; 1 where something was not measured."""
    args = _options()
    if args.made == make.MADE:
        make.make(args.made)
    about = machine()
    print(", ".join(f"{k} {v}" for k, v in about.items()), flush=True)
    print("copy: moving the same bytes; plain: the simplest key, scripts/plainkey.py;", flush=True)
    print("baseline: the live grade in OpenCV and NumPy, scripts/baseline.py\n", flush=True)
    report = Report(args.out, f"{datetime.now().astimezone():%Y%m%d-%H%M%S}", about, MOST_P99_MS)
    templates = [args.made / "event" / "templates" / name for name in TEMPLATES]
    if args.quick and args.people is None:
        print(
            "Quick: one or two repeats, without prints, evening, large stills, the 1080p run and "
            "the first start.\n"
        )
    try:
        if args.people is not None:
            with report.measuring("evening"):
                report.add(evening(args.made, args.people, templates, progress=True))
        else:
            with tempfile.TemporaryDirectory(prefix="posewall-bench-") as folder:
                _measure(args, templates, Path(folder), report)
    except KeyboardInterrupt:
        print("\nbench: broken off; what was measured before is kept.", file=sys.stderr)
        return 130
    finally:
        print(f"\n{report.written}")
    if report.failed:
        print(f"bench: not measured: {'; '.join(report.failed)}", file=sys.stderr)
    return 1 if report.failed or any(row.get("failed") for row in report.rows) else 0


if __name__ == "__main__":
    sys.exit(main())
