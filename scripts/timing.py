"""Timing two pieces of work against each other, and a row of the report that tells it."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from statistics import median
from typing import Any

import cv2
import torch

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


@contextmanager
def one_thread() -> Iterator[None]:
    """Torch and OpenCV work by one thread each, as NumPy does, for as long as the block lasts.

    With more of them, those of the keyer and of OpenCV would be held against the one that NumPy has
    for all but its matrix product.
    """
    torch_had, opencv_had = torch.get_num_threads(), cv2.getNumThreads()
    torch.set_num_threads(1)
    cv2.setNumThreads(1)
    try:
        yield
    finally:
        torch.set_num_threads(torch_had)
        cv2.setNumThreads(opencv_had)


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
    """A row of the report: "ours" against every other of ``times``, taken in `one_thread`."""
    ours = times["ours"]
    ratios = {f"over_{k}": ours.usual / t.usual for k, t in times.items() if k != "ours"}
    return {
        "row": name,
        **ratios,
        "cold_over_warm": ours.cold / ours.usual,
        "spread": (max(ours.warm) - min(ours.warm)) / ours.usual,
        "repeats": len(ours.warm),
        "threads": "1 on all sides",
        **more,
        "seconds": {k: {"cold": t.cold, "warm": t.warm} for k, t in times.items()},
    }


def tell(result: dict[str, Any]) -> None:
    """Print a row, without its seconds."""
    shown = [_words(k, v) for k, v in result.items() if k not in ("row", "seconds")]
    print(f"{result['row']}\n    {', '.join(shown)}", flush=True)


def _words(key: str, value: object) -> str:
    name = key.replace("_", " ")
    if isinstance(value, dict):
        return f"{name} ({', '.join(_words(k, v) for k, v in value.items())})"
    return f"{name} {value:.3g}" if isinstance(value, float) else f"{name} {value}"


def met(value: float | None, bar: float, most: bool = True) -> str:
    """A bar and whether it holds, in words."""
    if value is None:
        return "not measured"
    held = value <= bar if most else value >= bar
    return f"{'met' if held else 'NOT met'} (bar: {'at most' if most else 'at least'} {bar:g})"
