"""Clocks around stages of the program while it works.

A stage's time is its own: what it calls of other stages is not in it.
"""

from __future__ import annotations

import threading
import time
from collections import defaultdict
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from typing import Any

Place = tuple[Any, str, str]
"""Who has what is timed, under which name, and which stage it belongs to."""


class Clocks:
    """Adds up the time of each stage in all threads.

    Attributes:
        seconds: of each stage, its own.
        calls: of each stage, how long every call took, all in all.
    """

    def __init__(self, places: Sequence[Place]) -> None:
        self.seconds: dict[str, float] = defaultdict(float)
        self.calls: dict[str, list[float]] = defaultdict(list)
        self._places = tuple(places)
        self._lock = threading.Lock()
        self._inner = threading.local()

    @contextmanager
    def running(self) -> Iterator[None]:
        """Clocks around every stage, for as long as the block lasts."""
        before = [(owner, name, getattr(owner, name)) for owner, name, _ in self._places]
        try:
            for owner, name, stage in self._places:
                setattr(owner, name, self._timed(getattr(owner, name), stage))
            yield
        finally:
            for owner, name, work in before:
                setattr(owner, name, work)

    def shares(self) -> dict[str, float]:
        """Of the time of all stages together, each one's part; the largest first."""
        total = sum(self.seconds.values()) or 1.0
        found = sorted(self.seconds.items(), key=lambda item: -item[1])
        return {name: seconds / total for name, seconds in found}

    def add(self, stage: str, own_s: float, took_s: float) -> None:
        """Count a call.

        Args:
            stage: whose.
            own_s: without what it called of other stages, in seconds.
            took_s: all in all.
        """
        with self._lock:
            self.seconds[stage] += own_s
            self.calls[stage].append(took_s)

    def _timed(self, work: Callable[..., Any], stage: str) -> Callable[..., Any]:
        def timed(*args: Any, **more: Any) -> Any:
            outer = getattr(self._inner, "seconds", 0.0)
            self._inner.seconds = 0.0
            start = time.perf_counter()
            try:
                return work(*args, **more)
            finally:
                took = time.perf_counter() - start
                self.add(stage, took - self._inner.seconds, took)
                self._inner.seconds = outer + took

        return timed
