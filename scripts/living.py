"""The live program as it runs, with its pages, and what it tells of itself."""

from __future__ import annotations

import subprocess
import sys
import time
from pathlib import Path
from typing import Any

from demo_clips import scenario
from stream.event import Event
from stream.live.link import read_link
from stream.live.session import Session
from stream.live.wishes import Wishes

ROOT = Path(__file__).resolve().parent.parent
START_S = 120.0


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
