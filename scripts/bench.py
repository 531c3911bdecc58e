"""Measure speed on this machine: `make bench`, or `python scripts/bench.py [--quick]`.

Every figure that is printed is a ratio of two things measured in the same run, alternately, so
that a busy machine slows both. The seconds behind them go into a JSON file in bench/.
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from importlib.metadata import version
from pathlib import Path
from statistics import median
from typing import Any

# Before torch is loaded, as the command `posewall` does it.
os.environ.setdefault("OMP_WAIT_POLICY", "PASSIVE")
sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

import cv2
import numpy as np
import torch

from demo_clips import make, scenario
from models.color import Matrix
from models.keyer import Grade, Keyer, KeySettings
from models.resample import Placement
from scripts.plainkey import Floats, Pixels, plain_key, plain_over, to_rgb
from stream.batch.render import Renderer
from stream.capture.frame import Frame
from stream.capture.source import open_source
from stream.capture.stills import read_still
from stream.event import Event
from stream.live.link import read_link
from stream.live.scenes import preview_size
from stream.live.session import Session
from stream.live.wishes import Wishes, bound_threads
from stream.prints.about import About
from stream.prints.output import Output
from stream.prints.picture import picture_bytes
from stream.shot import add_still, save_plate

ROOT = Path(__file__).resolve().parent.parent
LIBRARIES = ("torch", "numpy", "opencv-python", "av", "pillow")
START_S = 120.0
Work = Callable[[], object]


@dataclass(frozen=True)
class Timed:
    """Seconds of one piece of work: its first run, and the later ones."""

    cold: float
    warm: list[float]

    @property
    def usual(self) -> float:
        """The median of the later runs."""
        return median(self.warm)


def _once(work: Work) -> float:
    start = time.perf_counter()
    work()
    return time.perf_counter() - start


def alternately(works: dict[str, Work], repeats: int) -> dict[str, Timed]:
    """Run each in turn, again and again; the first run of each is kept apart."""
    cold = {name: _once(work) for name, work in works.items()}
    warm: dict[str, list[float]] = {name: [] for name in works}
    for _ in range(repeats):
        for name, work in works.items():
            warm[name].append(_once(work))
    return {name: Timed(cold[name], warm[name]) for name in works}


def copier(count: int) -> Work:
    """Copying that moves ``count`` bytes: half are read, half written.

    Several buffers take turns, or a small copy would never leave the cache.
    """
    half = max(1, count // 2)
    pairs = [(torch.ones(half, dtype=torch.uint8), torch.empty(half, dtype=torch.uint8))]
    while len(pairs) < 6 and len(pairs) * half < 400_000_000:
        pairs.append((pairs[0][0].clone(), torch.empty_like(pairs[0][0])))
    turn = 0

    def copy() -> None:
        nonlocal turn
        turn = (turn + 1) % len(pairs)
        pairs[turn][1].copy_(pairs[turn][0])

    return copy


def row(name: str, times: dict[str, Timed], **more: object) -> dict[str, Any]:
    """A row of the report: "ours" against every other of ``times``."""
    ours = times["ours"]
    ratios = {f"over_{k}": ours.usual / t.usual for k, t in times.items() if k != "ours"}
    return {
        "row": name,
        **ratios,
        "cold_over_warm": ours.cold / ours.usual,
        "spread": (max(ours.warm) - min(ours.warm)) / ours.usual,
        "repeats": len(ours.warm),
        **more,
        "seconds": {k: {"cold": t.cold, "warm": t.warm} for k, t in times.items()},
    }


def tell(result: dict[str, Any]) -> None:
    """Print a row, without its seconds."""
    shown = [
        f"{key.replace('_', ' ')} {value:.3g}" if isinstance(value, float) else f"{key} {value}"
        for key, value in result.items()
        if key not in ("row", "seconds")
    ]
    print(f"{result['row']}\n    {', '.join(shown)}", flush=True)


def _arrays(frame: Frame) -> tuple[Pixels, Pixels, Pixels]:
    a, b, c = (np.ascontiguousarray(p.numpy()) for p in frame.planes)
    return a, b, c


def _i420(frame: Frame) -> tuple[Pixels, Pixels, Pixels]:
    """Planes as the plain key takes them."""
    a, b, c = _arrays(frame)
    if frame.encoding.matrix is not Matrix.RGB and b.shape == a.shape:
        half = (a.shape[1] // 2, a.shape[0] // 2)
        b, c = (
            np.asarray(cv2.resize(x, half, interpolation=cv2.INTER_AREA), np.uint8) for x in (b, c)
        )
    return a, b, c


def clip_frame(path: Path) -> Frame:
    """A frame of the clip with the subject in it."""
    source = open_source(str(path), paced=False)
    source.open()
    try:
        for _ in range(46):
            frame = source.read()
        assert frame is not None
        return frame
    finally:
        source.close()


def cutting(name: str, frame: Frame, plate: Frame, repeats: int) -> dict[str, Any]:
    """The final cut of a frame, by copying its bytes and by the plain key."""
    keyer = Keyer(Grade.FINAL)
    keyer.set_plate(plate.planes, plate.encoding, plate.quarter_turns)
    planes, rgb = _i420(frame), frame.encoding.matrix is Matrix.RGB
    height, width = frame.planes[0].shape
    moved = sum(p.numel() * p.element_size() for p in frame.planes) + height * width * 4 * 4
    works: dict[str, Work] = {
        "ours": lambda: keyer.cut(frame.planes, frame.encoding, frame.quarter_turns),
        "copy": copier(moved),
        "plain": lambda: plain_key(to_rgb(planes, rgb)),
    }
    cut = keyer.cut(frame.planes, frame.encoding, frame.quarter_turns)
    undecided = float(((cut.alpha > 0) & (cut.alpha < 1)).float().mean())
    return row(name, alternately(works, repeats), undecided=undecided, plate_fits=cut.plate_fits)


def compositing(frame: Frame, plate: Frame, event: Event, repeats: int) -> dict[str, Any]:
    """The live composite of a frame at preview size, without capture, JPEG and pages."""
    template = event.template(scenario.EVENING)
    size = preview_size(template.picture_size(), 720)
    person = event.roster.get("103")
    assert person is not None
    scene = template.scene(size, person.fields)
    placement = template.placement(frame.upright_size, size)
    keyer = Keyer(Grade.LIVE)
    keyer.set_plate(plate.planes, plate.encoding, plate.quarter_turns)
    planes, rgb = _i420(frame), frame.encoding.matrix is Matrix.RGB
    below = np.ascontiguousarray(scene.below[0].permute(1, 2, 0).numpy())

    def plain() -> Pixels:
        fg, alpha = plain_key(_placed(to_rgb(planes, rgb), placement, size))
        return plain_over(fg, alpha, below)

    moved = sum(p.numel() * p.element_size() for p in frame.planes) + size[0] * size[1] * (3 + 12)
    works: dict[str, Work] = {
        "ours": lambda: keyer.composite(
            frame.planes, frame.encoding, frame.quarter_turns, scene, placement
        ),
        "copy": copier(moved),
        "plain": plain,
    }
    name = f"live composite, 1280x720 into {size[1]}x{size[0]}"
    return row(name, alternately(works, repeats))


def _placed(rgb: Pixels, placement: Placement, size: tuple[int, int]) -> Pixels:
    """The frame cropped and scaled to the picture; only for frames that cover it."""
    scale = placement.scale
    left, top = round(-placement.dx / scale), round(-placement.dy / scale)
    width, height = round(size[1] / scale), round(size[0] / scale)
    part = rgb[max(0, top) : top + height, max(0, left) : left + width]
    return np.asarray(cv2.resize(part, (size[1], size[0]), interpolation=cv2.INTER_AREA), np.uint8)


def printing(made: Path, event: Event, repeats: int) -> dict[str, Any]:
    """One 8x10 from the 24 MP still: from the kept shot to the bytes of its file."""
    still = made / "stills" / "portrait_24mp.jpg"
    plate_file = made / "plates" / "portrait_24mp.jpg"
    plate = save_plate(event, read_still(plate_file), still=plate_file)
    template = event.template(scenario.EVENING)
    settings = KeySettings.from_json(dict(event.config.key))
    shot, _ = add_still(
        event, still, people=["104"], template=template, plate=plate, settings=settings
    )
    renderer = Renderer(event)
    frame = read_still(still)
    size = template.picture_size()
    placement = template.placement(frame.upright_size, size)
    # The plain one gets its background for nothing; making ours from the layers is in our time.
    below: Floats = np.full((*size, 3), 0.2, np.float32)

    def ours() -> bytes:
        picture = renderer.render(shot)
        about = About(picture.ppi, picture.taken, "0" * 32)
        return picture_bytes(picture.pixels, Output(), about)

    def plain() -> object:
        bgr = cv2.imread(str(still), cv2.IMREAD_COLOR)
        assert bgr is not None
        rgb = np.asarray(cv2.cvtColor(bgr, cv2.COLOR_BGR2RGB), np.uint8)
        fg, alpha = plain_key(_placed(rgb, placement, size))
        done = cv2.cvtColor(plain_over(fg, alpha, below), cv2.COLOR_RGB2BGR)
        return cv2.imencode(".jpg", done, [cv2.IMWRITE_JPEG_QUALITY, 95])

    name = f"final picture, 24 MP still into {size[1]}x{size[0]}, file to file"
    return row(name, alternately({"ours": ours, "plain": plain}, repeats))


def living(made: Path, event: Event, seconds: float) -> dict[str, Any]:
    """The live program on the clip, with its pages and one page that takes every picture."""
    wishes = Wishes(
        source=str(made / "clip.mp4"), template=scenario.EVENING, port=0, batch=False,
        plate=made / "plates" / "clip.png", device="cpu",
    )  # fmt: skip
    said: list[str] = []
    session = Session(event, wishes, tell=said.append)
    begun = time.perf_counter()
    page = None
    try:
        session.start()
        session.set_next(["103"])
        link = read_link(event.paths.root)
        assert link is not None
        page = subprocess.Popen(
            [sys.executable, "-m", "scripts.page", str(link.port), link.token], cwd=ROOT
        )
        while session.meter.read().frames_out < 30:
            if time.perf_counter() - begun > START_S:
                raise SystemExit(f"bench: the live picture did not come: {' '.join(said)}")
            time.sleep(0.05)
        first_s = time.perf_counter() - begun
        before, spent = session.meter.read(), _spent(session)
        start = time.perf_counter()
        time.sleep(seconds)
        elapsed = time.perf_counter() - start
        after, later = session.meter.read(), _spent(session)
    finally:
        session.stop()
        if page is not None:
            page.terminate()
            page.wait(10)
    came = after.frames_in - before.frames_in
    out = after.frames_out - before.frames_out
    return {
        "row": f"live program, 1280x720 at 30 frames a second, {elapsed:.0f} s, one page",
        "out_over_in": out / came,
        "dropped_share": (after.dropped - before.dropped) / came,
        "late_share": (after.late - before.late) / max(out, 1),
        # How much of the time each stage was at work; they run beside each other.
        **{f"{n}_share_of_time": (later[n] - spent[n]) / elapsed for n in later},
        "fps_out": out / elapsed,
        "errors": after.errors,
        "seconds": {
            "elapsed": elapsed,
            "to_thirtieth_picture": first_s,
            "delay_p50": after.delay_p50_ms / 1e3,
            "delay_p99": after.delay_p99_ms / 1e3,
            "drawn_p50": after.shown_p50_ms / 1e3,
            "drawn_p99": after.shown_p99_ms / 1e3,
        },
    }


def _spent(session: Session) -> dict[str, float]:
    stages = session.meter.stages
    counts = stages.counts()
    return {name: mean * counts[name] / 1e3 for name, mean in stages.mean_ms().items()}


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
    args = parser.parse_args()
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

    with tempfile.TemporaryDirectory(prefix="posewall-bench-") as folder:
        templates = made / "event" / "templates"
        event = Event.create(
            Path(folder) / "event",
            "Bench",
            roster=made / "event" / "roster.csv",
            templates=[templates / scenario.EVENING],
        )
        frame, plate = clip_frame(made / "clip.mp4"), read_still(made / "plates" / "clip.png")
        still = read_still(made / "stills" / "portrait_6mp.jpg")
        still_plate = read_still(made / "plates" / "portrait_6mp.jpg")
        add(cutting("final cut, 1280x720", frame, plate, repeats))
        high, wide = still.upright_size
        add(cutting(f"final cut, {wide}x{high}", still, still_plate, max(2, repeats // 2)))
        add(printing(made, event, max(2, repeats // 4)))
        bound_threads()  # what the live program allows itself
        add(compositing(frame, plate, event, repeats))
        add(living(made, event, 3.0 if args.quick else max(10.0, args.seconds)))
    out = ROOT / "bench" / f"{datetime.now().astimezone():%Y%m%d-%H%M%S}.json"
    out.parent.mkdir(exist_ok=True)
    out.write_text(json.dumps({"machine": about, "rows": rows}, indent=1) + "\n", "utf-8")
    print(f"\nWritten: {out}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
