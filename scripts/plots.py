"""What was measured, as one picture: ratios as bars, delays as a histogram, a run over time."""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from PIL import Image, ImageDraw, ImageFont

WIDTH = 1400
_INK, _SOFT, _GRID, _PAPER = "#1d2430", "#5d6675", "#dde1e8", "#ffffff"
_FAST, _SLOW, _MARK, _SECOND = "#2f7d6b", "#c2703d", "#b3263a", "#3c62a8"
_LEFT, _RIGHT = 470, 130
Pen = ImageDraw.ImageDraw


def _font(size: int) -> ImageFont.FreeTypeFont | ImageFont.ImageFont:
    return ImageFont.load_default(size)


def _words(pen: Pen, at: tuple[float, float], text: str, size: int = 16, ink: str = _INK,
           anchor: str = "lm") -> None:  # fmt: skip
    font = _font(size)
    box = pen.textbbox(at, text, font=font, anchor=anchor)
    pen.rectangle((box[0] - 2, box[1] - 1, box[2] + 2, box[3] + 1), fill=_PAPER)
    pen.text(at, text, fill=ink, font=font, anchor=anchor)


def _sheet(height: int, title: str, under: str) -> tuple[Image.Image, Pen]:
    sheet = Image.new("RGB", (WIDTH, height), _PAPER)
    pen = ImageDraw.Draw(sheet)
    _words(pen, (40, 34), title, 26)
    _words(pen, (40, 66), under, 16, _SOFT)
    return sheet, pen


def ratios(row: dict[str, Any]) -> dict[str, float]:
    """What of a row is a ratio."""
    return {
        key.replace("_", " "): float(value)
        for key, value in row.items()
        # What is held against itself says nothing.
        if "_over_" in f"_{key}" and isinstance(value, float) and value > 0 and value != 1
    }


def bars(rows: Sequence[dict[str, Any]]) -> Image.Image | None:
    """Every ratio as a horizontal bar from 1, on a logarithmic scale, grouped by row."""
    groups = [(row["row"], ratios(row)) for row in rows if ratios(row)]
    values = [value for _, group in groups for value in group.values()]
    if not values:
        return None
    low = 10 ** math.floor(math.log10(min(*values, 0.5)))
    high = 10 ** math.ceil(math.log10(max(*values, 2.0)))
    span = math.log10(high / low)

    def across(value: float) -> float:
        return _LEFT + (WIDTH - _LEFT - _RIGHT) * math.log10(value / low) / span

    height = 130 + sum(46 + 26 * len(group) for _, group in groups)
    sheet, pen = _sheet(
        height, "Ratios within one run",
        "ours over the other; left of 1 ours takes less; logarithmic; medians",
    )  # fmt: skip
    tick = low
    while tick <= high * 1.001:
        x = across(tick)
        pen.line((x, 110, x, height - 20), fill=_SOFT if tick == 1 else _GRID, width=1)
        _words(pen, (x, 98), f"{tick:g}", 15, _SOFT, "mm")
        tick *= 10
    y = 130.0
    for name, group in groups:
        _words(pen, (40, y), name, 17)
        y += 26
        for label, value in group.items():
            _words(pen, (_LEFT - 12, y), label, 15, _SOFT, "rm")
            ends = sorted((across(1), across(value)))
            pen.rectangle((ends[0], y - 8, ends[1], y + 8), fill=_FAST if value < 1 else _SLOW)
            _words(pen, (ends[1] + 8, y), f"{value:.3g}", 15)
            y += 26
        y += 20
    return sheet


def histogram(name: str, delays_s: Sequence[float], bar_ms: float) -> Image.Image:
    """How many frames were seen after how long."""
    delays = sorted(1e3 * d for d in delays_s)
    sheet, pen = _sheet(
        480, "Delay from a frame's arrival to the canvas",
        f"{name}; {len(delays)} frames; dashed: the bar for p99, {bar_ms:g} ms",
    )  # fmt: skip
    # What lies beyond four times the bar and the last hundredth is counted in the last step.
    top = max(1.5 * bar_ms, min(delays[-1], max(4 * bar_ms, delays[int(0.98 * len(delays))])))
    step = max(1.0, round(top / 60))
    counts = [0] * (math.ceil(top / step) + 1)
    for d in delays:
        counts[min(int(d / step), len(counts) - 1)] += 1
    left, right, base, high = 100, WIDTH - 60, 410, 290
    wide = (right - left) / len(counts)
    _axis(pen, (left, right, base, high), max(counts), "frames")
    for i, count in enumerate(counts):
        x = left + i * wide
        pen.rectangle((x, base - high * count / max(counts), x + wide - 1, base), fill=_SECOND)
    for ms in _round_steps(top):
        x = left + ms / step * wide
        _words(pen, (x, base + 18), f"{ms:g} ms", 15, _SOFT, "mm")
    marks = ((bar_ms, "bar"), *((delays[min(int(q * len(delays)), len(delays) - 1)], n)
                                for q, n in ((0.5, "p50"), (0.99, "p99"))))  # fmt: skip
    for i, (ms, label) in enumerate(marks):
        x = left + min(ms, top) / step * wide
        for y in range(base - high, base, 12 if label == "bar" else 1):
            pen.line((x, y, x, y + (6 if label == "bar" else 1)), fill=_MARK, width=2)
        _words(pen, (x + 6, base - high + 8 + 22 * i), f"{label} {ms:.0f} ms", 15, _MARK)
    _words(pen, (right, base + 44), "the last step holds all beyond", 15, _SOFT, "rm")
    return sheet


def _round_steps(top: float) -> list[float]:
    unit = 10 ** math.floor(math.log10(max(top, 1e-9)))
    step = next(unit * f for f in (0.1, 0.2, 0.5, 1, 2, 5) if top / (unit * f) <= 10)
    return [step * i for i in range(int(top / step) + 1)]


def _axis(pen: Pen, box: tuple[float, float, float, float], top: float, unit: str) -> None:
    left, right, base, high = box
    for value in _round_steps(top):
        y = base - high * value / top
        pen.line((left, y, right, y), fill=_GRID, width=1)
        _words(pen, (left - 10, y), f"{value:g}", 15, _SOFT, "rm")
    _words(pen, (left, base - high - 20), unit, 15, _SOFT)


def over_time(name: str, taken: Sequence[dict[str, float]]) -> Image.Image:
    """Delay and memory over a long run, one above the other."""
    sheet, pen = _sheet(760, "A long run", f"{name}; a sample every so often")
    end = max(s["t_s"] for s in taken)
    _lines(
        pen, taken, end, 380, (("p99_ms", "p99", _MARK), ("p50_ms", "p50", _SECOND)), "delay, ms"
    )
    _lines(pen, taken, end, 690, (("resident_gb", "resident", _FAST),), "memory, GB")
    return sheet


def _lines(
    pen: Pen, taken: Sequence[dict[str, float]], end: float, base: int,
    lines: Sequence[tuple[str, str, str]], unit: str,
) -> None:  # fmt: skip
    values = [s[key] for key, _, _ in lines for s in taken if key in s]
    if not values:
        return
    left, right, high, top = 100, WIDTH - 130, 230, 1.1 * max(*values, 1e-9)
    _axis(pen, (left, right, base, high), top, unit)
    for key, label, ink in lines:
        points = [
            (left + (right - left) * s["t_s"] / end, base - high * s[key] / top)
            for s in taken
            if key in s
        ]
        if len(points) > 1:
            pen.line(points, fill=ink, width=3)
        if points:
            _words(pen, (points[-1][0] + 10, points[-1][1]), label, 16, ink)
    for minutes in _round_steps(end / 60):
        x = left + (right - left) * 60 * minutes / end
        _words(pen, (x, base + 18), f"{minutes:g} min", 15, _SOFT, "mm")


def draw(
    rows: Sequence[dict[str, Any]], about: dict[str, object], path: Path, bar_ms: float
) -> bool:
    """Draw all that the rows hold one below the other; False where nothing can be drawn."""
    parts = [bars(rows)]
    for row in rows:
        held = row.get("seconds", {})
        if held.get("delays"):
            parts.append(histogram(row["row"], held["delays"], bar_ms))
        if held.get("samples"):
            parts.append(over_time(row["row"], held["samples"]))
    sheets = [p for p in parts if p is not None]
    if not sheets:
        return False
    head, pen = _sheet(100, "Posewall, measured", "")
    short = ("processor", "cores", "threads", "load", "python", "torch", "opencv-python", "numpy")
    _words(pen, (40, 68), ", ".join(f"{k} {about[k]}" for k in short if k in about), 15, _SOFT)
    sheets.insert(0, head)
    whole = Image.new("RGB", (WIDTH, sum(s.height for s in sheets)), _PAPER)
    y = 0
    for sheet in sheets:
        whole.paste(sheet, (0, y))
        y += sheet.height
    whole.save(path, "PNG")
    return True
