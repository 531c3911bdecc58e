"""A long run of the live program: whether memory and delay stay flat."""

from __future__ import annotations

import bisect
from pathlib import Path
from statistics import median
from typing import Any

import numpy as np

from scripts.living import Run, coded_clip, percentiles_ms, play, shown, told
from stream.event import Event

EVERY_S = 10.0
MOST_GROWTH = 0.02
"""Share by which memory may grow, by its straight line and from the second quarter to the last."""
MOST_SLOWER_MS = 10.0
"""By how much p99 may grow, likewise."""
SETTLED_S = 60.0
"""What a program fills once, caches and templates, is filled by then; a quarter of a short run."""


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
    filled_s = min(SETTLED_S, max((s["t_s"] for s in taken), default=0.0) / 4)
    settled = [(t, v) for t, v in kept if t >= filled_s]
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


def quarters(taken: list[dict[str, float]], key: str) -> tuple[float, float] | None:
    """The median of a figure in the second quarter of a run and in its last.

    The first quarter is left out: there a program still fills what it fills once.

    Returns:
        None where one of the two has no sample.
    """
    end = max((s["t_s"] for s in taken), default=0.0)
    parts = [
        [s[key] for s in taken if key in s and first * end < s["t_s"] <= last * end]
        for first, last in ((0.25, 0.5), (0.75, 1.0))
    ]
    return (median(parts[0]), median(parts[1])) if all(parts) else None


def flat(taken: list[dict[str, float]], key: str, unit: str, bar: float, share: bool) -> str:
    """Whether a figure stays where it is, in words.

    Args:
        taken: samples of the run.
        key: which figure.
        unit: of it.
        bar: by how much it may grow over the run, by its straight line and by its quarters.
        share: the bar is a share of the figure.
    """
    line, both = trend(taken, key), quarters(taken, key)
    if line is None or both is None:
        return "not measured: too few samples"
    hours = line["over_the_run"] / line["an_hour"] if line["an_hour"] else 0.0
    by_line, by_quarters = line["over_the_run"], both[1] - both[0]
    most = bar * both[0] if share else bar
    held = by_line <= most and by_quarters <= most
    told = f"{100 * bar:g} %" if share else f"{bar:g} {unit}"
    return (
        f"{'met' if held else 'NOT met'} (bar: at most {told} more): {both[1]:.4g} {unit} in the "
        f"last quarter and {both[0]:.4g} in the second ({by_quarters:+.3g}), {by_line:+.3g} along "
        f"the straight line, sure to {line['sure_to'] * hours:.2g}"
    )


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
    row["memory_flat"] = flat(taken, "resident_gb", "GB", MOST_GROWTH, share=True)
    row["p99_flat"] = flat(taken, "p99_ms", "ms", MOST_SLOWER_MS, share=False)
    row["seconds"]["samples"] = taken
    return row
