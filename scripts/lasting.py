"""A long run of the live program: whether memory and delay stay flat."""

from __future__ import annotations

import bisect
from pathlib import Path
from typing import Any

import numpy as np

from scripts.living import Run, coded_clip, percentiles_ms, play, shown, told
from scripts.timing import met
from stream.event import Event

EVERY_S = 10.0
MOST_GROWTH = 0.02
"""Share of the mean by which memory may have grown at the end, along its straight line."""
MOST_SLOWER_MS = 10.0
"""By how much p99 may have grown at the end, likewise."""
SETTLED_S = 60.0
"""What a program fills once, caches and templates, is filled by then."""


def samples(run: Run) -> list[dict[str, float]]:
    """One of each reading: seconds from the first, memory, delays and drops since the last."""
    got = shown(run)
    came = [at for _, at in run.came]
    out = []
    for before, now in zip(run.readings, run.readings[1:], strict=False):
        sample = {"t_s": now["wall"] - run.readings[0]["wall"]}
        if "now" in now["resident"]:
            sample["resident_gb"] = now["resident"]["now"] / 1e9
        frames = now["frames_in"] - before["frames_in"]
        sample["dropped_share"] = (now["dropped"] - before["dropped"]) / max(frames, 1)
        first, last = (bisect.bisect(got.at, x["wall"]) for x in (before, now))
        if run.browser is None:
            delays = {"p50_ms": now["shown_p50_ms"], "p99_ms": now["shown_p99_ms"]}
        else:
            delays = percentiles_ms(got.delay[first:last])
            frames = bisect.bisect(came, now["wall"]) - bisect.bisect(came, before["wall"])
            sample["dropped_share"] = max(0.0, 1 - (last - first) / max(frames, 1))
        sample |= {k: delays[k] for k in ("p50_ms", "p99_ms") if k in delays}
        out.append(sample)
    return out


def trend(taken: list[dict[str, float]], key: str) -> dict[str, float] | None:
    """The straight line through a figure over time.

    Returns:
        Its mean, its slope an hour with the standard error of that, and by how much the line
        rises over the run; None with fewer than three samples.
    """
    kept = [(s["t_s"], s[key]) for s in taken if key in s]
    settled = [(t, v) for t, v in kept if t >= SETTLED_S]
    kept = settled if len(settled) >= 3 else kept
    if len(kept) < 3:
        return None
    t, v = np.array(kept).T
    off = t - t.mean()
    slope = float((off * v).sum() / (off * off).sum())
    rest = v - v.mean() - slope * off
    error = float(np.sqrt((rest * rest).sum() / max(len(t) - 2, 1) / (off * off).sum()))
    return {
        "mean": float(v.mean()),
        "an_hour": 3600 * slope,
        "sure_to": 3600 * error,
        "over_the_run": slope * float(t[-1] - t[0]),
    }


def lasting(
    made: Path, event: Event, folder: Path, minutes: float, every_s: float = EVERY_S
) -> dict[str, Any]:
    """The row of a long run at 1280x720."""
    clip, plate, frames = coded_clip(made, folder, 1.0, 1 << 12)
    run = play(event, clip, plate, frames, 1.0, 60 * minutes, every_s)
    taken, row = samples(run), told(run, 1.0)
    memory, slower = trend(taken, "resident_gb"), trend(taken, "p99_ms")
    row["row"] = f"long run, 1280x720 at 30 frames a second, {minutes:g} minutes"
    row["memory_gb"], row["p99_trend_ms"] = memory, slower
    grown = None if memory is None else memory["over_the_run"] / memory["mean"]
    row["memory_flat"] = met(grown, MOST_GROWTH)
    row["p99_flat"] = met(None if slower is None else slower["over_the_run"], MOST_SLOWER_MS)
    row["seconds"]["samples"] = taken
    return row
