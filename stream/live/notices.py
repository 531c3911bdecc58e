"""Sentences for the operator: what is wrong now, and what went wrong lately."""

from __future__ import annotations

import math
import threading
import time
from collections.abc import Callable

# chosen: long enough to be read between two guests, short enough not to pile up.
PASSING_S = 20.0
MOST = 4


class Notices:
    """Standing ones stay until taken back by their key, passing ones fade by themselves."""

    def __init__(
        self, echo: Callable[[str], None], clock: Callable[[], float] = time.monotonic
    ) -> None:
        self._echo = echo
        self._clock = clock
        self._lock = threading.Lock()
        self._standing: dict[str, tuple[str, float]] = {}
        self._passing: dict[str, float] = {}

    def passing(self, sentence: str) -> None:
        """Something happened; told once while it is still to be read."""
        now = self._clock()
        with self._lock:
            new = now - self._passing.get(sentence, -PASSING_S) >= PASSING_S
            self._passing[sentence] = now
        if new:
            self._echo(sentence)

    def standing(self, key: str, sentence: str | None, for_s: float = math.inf) -> None:
        """Something is so until it is taken back with None, or for so many seconds."""
        with self._lock:
            before, _ = self._standing.pop(key, (None, 0.0))
            if sentence is not None:
                self._standing[key] = sentence, self._clock() + for_s
        if sentence is not None and sentence != before:
            self._echo(sentence)

    def now(self) -> list[str]:
        """What is to be shown, standing ones first, the newest of the passing ones."""
        now = self._clock()
        with self._lock:
            self._passing = {s: t for s, t in self._passing.items() if now - t < PASSING_S}
            recent = sorted(self._passing, key=self._passing.__getitem__, reverse=True)
            self._standing = {k: v for k, v in self._standing.items() if now < v[1]}
            return [*(sentence for sentence, _ in self._standing.values()), *recent][:MOST]


# chosen: a hand before the lens takes less, a lamp that went out is to be told soon.
SCREEN_MISSED_S = 2.0
NO_SCREEN = (
    "No green or blue screen is found in the picture; check its light, the camera's exposure and "
    "the [key] setting of the event."
)


class ScreenWatch:
    """Says when no screen has been found for a while, and takes it back when it is there."""

    def __init__(self, notices: Notices, clock: Callable[[], float] = time.monotonic) -> None:
        self._notices = notices
        self._clock = clock
        self._missed_since: float | None = None
        self._told = False

    def note(self, found: bool) -> None:
        """One frame's finding."""
        if found:
            self._missed_since = None
            if self._told:
                self._told = False
                self._notices.standing("screen", None)
            return
        now = self._clock()
        if self._missed_since is None:
            self._missed_since = now
        elif now - self._missed_since >= SCREEN_MISSED_S and not self._told:
            self._told = True
            self._notices.standing("screen", NO_SCREEN)
