"""The live program as it runs: a file through capture, key, JPEG and a real page, frame by frame.

Every frame carries its number as a code (`scripts.timecode`). A script in the page reads it from
the canvas after each drawing, so that what is told is when a frame was there to be seen, and which
frames never were. Without Chromium a page without a browser takes the pictures
(`scripts.page`), and the program's own figures have to do.
"""

from __future__ import annotations

import json
import subprocess
import sys
import time
from collections.abc import Sequence
from contextlib import ExitStack
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from demo_clips import scenario
from scripts import timecode
from scripts.browser import Page, chromium, find_chromium
from scripts.timing import met
from stream.event import Event
from stream.template import preview_size

ROOT = Path(__file__).resolve().parent.parent
MOST_DROPS, MOST_P99_MS = 0.01, 100.0
LEAST_FPS, MOST_RESIDENT = 15.0, 1.5e9


@dataclass
class Run:
    """What one run of the live program told.

    Attributes:
        begin: its first reading, when everything ran and was keyed as from then on.
        readings: those after it.
        last: the one at the end.
        start: wall clock from which on the run counts, seconds.
        switches: wall clock and what keyed from then on, "kernels" or "torch"; first it is torch.
        came: number and wall clock of every frame, in their order.
        drawn: wall clock of each drawing and the number that was read; None: misread.
        browser: what showed the page.
        apart_s: by how much the page's clock was ahead at the end, and how sure that is.
        frames: of the clip, which is played again and again.
    """

    begin: dict[str, Any]
    readings: list[dict[str, Any]] = field(default_factory=list)
    last: dict[str, Any] = field(default_factory=dict)
    start: float = 0.0
    switches: list[tuple[float, str]] = field(default_factory=list)
    came: list[tuple[int, float]] = field(default_factory=list)
    drawn: list[tuple[float, int | None]] = field(default_factory=list)
    browser: str | None = None
    apart_s: tuple[float, float] = (0.0, 0.0)
    frames: int = 0


def coded_clip(made: Path, folder: Path, scale: float, most: int) -> tuple[Path, Path, int]:
    """A coded clip, its clean plate, and how many frames it has; 1280x720 times ``scale``."""
    import cv2

    clip, plate = folder / f"coded-{scale}.mp4", made / "plates" / "clip.png"
    count = timecode.write_clip(clip, made / "clip.mp4", scale, most=most)
    if scale != 1:
        picture = cv2.imread(str(plate))
        assert picture is not None
        plate = folder / f"plate-{scale}.png"
        large = cv2.resize(picture, None, fx=scale, fy=scale, interpolation=cv2.INTER_CUBIC)
        cv2.imwrite(str(plate), large)
    return clip, plate, count


def play(
    event: Event, clip: Path, plate: Path, frames: int, scale: float, seconds: float,
    every_s: float = 2.0, height: int = 720,
) -> Run:  # fmt: skip
    """Run the program on a coded clip for so many seconds.

    Raises:
        RuntimeError: the live picture did not come, or ended before its time.
    """
    template = event.template(scenario.EVENING)
    size = preview_size(template.picture_size(), height)
    frame = (round(720 * scale), round(1280 * scale))
    patch = timecode.PLACE.scaled(scale).placed(template.placement(frame, size))
    out = clip.with_suffix(".json")
    words = [out, event.paths.root, clip, plate, scenario.EVENING, height, every_s]
    process = subprocess.Popen(
        [sys.executable, "-m", "scripts.programme", *map(str, words)],
        cwd=ROOT, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
    )  # fmt: skip
    assert process.stdin is not None
    assert process.stdout is not None
    with ExitStack() as stack:
        stack.callback(end, process)
        begin = json.loads(process.stdout.readline() or '{"failed": "the program ended"}')
        if "failed" in begin:
            raise RuntimeError(begin["failed"])
        run = Run(begin, frames=frames, browser=find_chromium())
        page: Page | None = None
        if run.browser is not None:
            page = stack.enter_context(chromium(run.browser))
            page.open(f"http://127.0.0.1:{begin['port']}/stage", timecode.watching(patch, size))
            _take(page, run, wanted=30)
            run.drawn.clear()
        else:
            plain = subprocess.Popen(
                [sys.executable, "-m", "scripts.page", str(begin["port"]), begin["token"]], cwd=ROOT
            )
            stack.callback(end, plain)
            time.sleep(1.0)
        start = run.start = time.time()
        reading: dict[str, Any] = {}
        while time.time() < start + seconds:
            reading = json.loads(process.stdout.readline() or "{}")
            if not reading:
                raise RuntimeError("the live program ended before its time")
            if reading["wall"] < start:
                continue
            run.readings.append(reading)
            if page is not None:
                _take(page, run)
        if page is not None:
            _take(page, run)
            run.apart_s = page.clocks_apart_s()
        process.stdin.close()
        process.stdout.read()
        process.wait(60)
        told = json.loads(out.read_text("utf-8"))
        run.last = run.readings[-1]
        run.last["resident"] = told["last"]["resident"]
        run.switches = [(at, path) for at, path in told["switches"]]
        run.came = [(n, at) for n, at in told["came"] if at >= start - 2]
    return run


def end(process: subprocess.Popen[Any]) -> None:
    """End a process by its input, or else by a signal, and wait for it."""
    if process.poll() is None:
        if process.stdin is not None:
            process.stdin.close()
        else:
            process.terminate()
        try:
            process.wait(30)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait(10)


def _take(page: Page, run: Run, wanted: int = 0) -> None:
    """What was drawn since the last time; waits until so many were."""
    end = time.monotonic() + 60
    while True:
        for at_ms, word in page.run("window.bench ? window.bench.take() : []") or []:
            run.drawn.append((at_ms / 1e3, timecode.read_word(int(word))))
        if len(run.drawn) >= wanted:
            return
        if time.monotonic() > end:
            raise RuntimeError("the page drew no pictures for a minute")
        time.sleep(0.1)


@dataclass(frozen=True)
class Shown:
    """Frames that were to be seen.

    Attributes:
        number: of each, ascending in time.
        at: wall clock at which it was drawn first, seconds.
        delay: from its arrival, seconds.
        late_by: how much later than by the clip's own time it came, seconds.
    """

    number: list[int]
    at: list[float]
    delay: list[float]
    late_by: list[float]


def shown(run: Run) -> Shown:
    """Which frame each drawing shows: the newest of that code that had come by then."""
    by_code: dict[int, list[tuple[int, float]]] = {}
    for number, at in run.came:
        by_code.setdefault(number % run.frames, []).append((number, at))
    origin = min((at - n / timecode.FPS for n, at in run.came), default=0.0)
    out = Shown([], [], [], [])
    seen: set[int] = set()
    for at, code in run.drawn:
        before = [(n, t) for n, t in by_code.get(-1 if code is None else code, []) if t <= at]
        if not before or before[-1][0] in seen:
            continue
        number, came = before[-1]
        seen.add(number)
        out.number.append(number)
        out.at.append(at)
        out.delay.append(at - came)
        out.late_by.append(came - origin - number / timecode.FPS)
    return out


def percentiles_ms(seconds: Sequence[float]) -> dict[str, float]:
    """p50, p99, p99.9 and the largest, by nearest rank, in milliseconds."""
    if not len(seconds):
        return {}
    x = np.sort(np.asarray(seconds)) * 1e3
    shares = {"p50_ms": 0.5, "p99_ms": 0.99, "p99.9_ms": 0.999, "max_ms": 1.0}
    return {k: float(x[max(0, int(np.ceil(s * len(x))) - 1)]) for k, s in shares.items()}


def missed(seen: int, seconds: float) -> float:
    """The share of a clip's frames that nobody saw.

    Args:
        seen: frames that were seen, each once.
        seconds: that the clip was played for.
    """
    wanted = timecode.FPS * seconds
    return max(0.0, 1 - seen / wanted) if wanted > 0 else 1.0


def keyed_by(run: Run) -> dict[str, str]:
    """What keyed the pictures that count, and from when on they count, in words."""
    begun = run.begin["started"]
    before = [(at, path) for at, path in run.switches if at <= run.start]
    after = [(at, path) for at, path in run.switches if at > run.start]
    path = before[-1][1] if before else "torch"
    words = [path, *(f"{p} from {at - run.start:.1f} s of the run on" for at, p in after)]
    since = f"{run.start - begun:.1f} s after the program's start"
    if before:
        since += f", {run.start - before[-1][0]:.1f} s after the {path} were taken over"
    else:
        since += "; kernels were not taken over"
    return {"keyed_by": ", then ".join(words), "counted_from": since}


def living(
    made: Path, event: Event, folder: Path, seconds: float, *, scale: float = 1.0,
    most: int = timecode.MOST,
) -> dict[str, Any]:  # fmt: skip
    """The row of one run; 1280x720 times ``scale``, 30 frames a second."""
    clip, plate, frames = coded_clip(made, folder, scale, most)
    return told(play(event, clip, plate, frames, scale, seconds), scale)


def told(run: Run, scale: float) -> dict[str, Any]:
    """The figures of a run as a row."""
    begin, last = run.readings[0], run.last
    elapsed = max(last["wall"] - begin["wall"], 1e-9)
    came, out = (last[k] - begin[k] for k in ("frames_in", "frames_out"))
    size = f"{round(1280 * scale)}x{round(720 * scale)}"
    row: dict[str, Any] = {"row": f"live program, {size} at 30 frames a second, {elapsed:.0f} s"}
    row |= keyed_by(run)
    got = shown(run)
    more: dict[str, Any] = {}
    if run.browser is None:
        row["page"] = "no Chromium here: a page without a browser, by the program's own figures"
        drops = (last["dropped"] - begin["dropped"]) / max(came, 1)
        p99: float | None = last["shown_p99_ms"]
        fps = out / elapsed
        row |= {"shown_p50_ms": last["shown_p50_ms"], "shown_p99_ms": p99}
    else:
        row["page"] = "Chromium, by the time code on its canvas"
        # The edges of the run are not known on both sides. What was due is told by the clip's own
        # clock: neither a reader that lags nor a page that stands still makes a frame less.
        first, end = run.readings[0]["wall"], run.readings[-1]["wall"] - 1.0
        due = {n for n, at in run.came if first <= at <= end}
        drops = missed(len(due & set(got.number)), end - first)
        row |= {"delay": percentiles_ms(got.delay)}
        p99 = row["delay"].get("p99_ms")
        row["delay_from_due"] = percentiles_ms(
            [d + late for d, late in zip(got.delay, got.late_by, strict=True)]
        )
        gaps = np.diff([at for at in got.at if at < end] + [end])
        row["longest_gap_ms"] = 1e3 * float(gaps.max()) if len(gaps) else None
        fps = len(due & set(got.number)) / max(end - first, 1e-9)
        row["misread"] = sum(code is None for _, code in run.drawn)
        row["clocks_apart_ms"] = 1e3 * run.apart_s[0]
        row["clocks_sure_to_ms"] = 1e3 * run.apart_s[1]
        more = {"delays": got.delay, "drawn_at": got.at}
    row |= {"dropped_share": drops, "fps_shown": fps, "errors": last["errors"]}
    less = sorted({str(r["quality"]) for r in run.readings if r.get("quality")})
    row["quality"] = "; ".join(less) or "full"
    row["processor_ms_a_picture"] = {
        name: 1e3 * (last["spent"][name] - begin["spent"].get(name, 0.0)) / max(out, 1)
        for name in last["spent"]
    }
    row["processor_share"] = (last["cpu"] - begin["cpu"]) / elapsed
    row["resident_gb"] = {k: v / 1e9 for k, v in last["resident"].items()}
    row["bars"] = {"dropped_share": met(drops, MOST_DROPS), "p99_ms": met(p99, MOST_P99_MS)}
    if scale > 1:
        row["bars"] = {
            "fps_shown": met(fps, LEAST_FPS, most=False),
            "peak_bytes": met(last["resident"].get("peak"), MOST_RESIDENT),
        }
    first_s = run.begin["first"] - run.begin["started"]
    more |= {"to_thirtieth_picture": first_s, "device": run.begin["device"]}
    return {**row, "seconds": more}
