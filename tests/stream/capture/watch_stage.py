"""A watched feed that the test fills, and a clock that it turns."""

from __future__ import annotations

import queue
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from fractions import Fraction

import torch

from models.color import SRGB_8BIT
from stream.capture.errors import SourceError
from stream.capture.frame import Frame
from stream.capture.watch import Watched, WatchState, WatchStatus


def frame(value: int) -> Frame:
    plane = torch.full((2, 2), value, dtype=torch.uint8)
    return Frame(
        (plane, plane, plane),
        SRGB_8BIT,
        0,
        value,
        Fraction(1),
        0.0,
        datetime(2031, 1, 1, tzinfo=UTC),
        "feed",
        value,
    )


class Feed:
    """A source that gives what the test puts in: frames, an error, or None for the end."""

    def __init__(self, live: bool = True, fails_to_open: Exception | None = None) -> None:
        self.name = "feed"
        self.live = live
        self.put: queue.Queue[Frame | Exception | None] = queue.Queue()
        self.fails_to_open = fails_to_open
        self.opened = threading.Event()
        self.closed = 0

    def open(self) -> None:
        self.opened.set()
        if self.fails_to_open is not None:
            raise self.fails_to_open

    def read(self) -> Frame | None:
        item = self.put.get()
        if isinstance(item, Exception):
            raise item
        return item

    def close(self) -> None:
        self.closed += 1


class Stage:
    """A watched feed, its clock, and every status that was told."""

    def __init__(self) -> None:
        self.now = 0.0
        self.feeds: list[Feed] = []
        self.plan: list[Feed | SourceError] = []
        self.news: queue.Queue[WatchStatus] = queue.Queue()
        self.watched = Watched(
            self._make, name="feed", on_change=self.news.put, clock=lambda: self.now
        )

    def _make(self) -> Feed:
        item = self.plan.pop(0) if self.plan else Feed()
        if isinstance(item, SourceError):
            raise item
        self.feeds.append(item)
        return item

    def until(self, state: WatchState) -> WatchStatus:
        """Wait, in wall time, for a state to be told."""
        while True:
            status = self.news.get(timeout=5)
            if status.state is state:
                return status

    def feed(self, number: int) -> Feed:
        wait_for(lambda: len(self.feeds) > number)
        return self.feeds[number]


def wait_for(true: Callable[[], bool]) -> None:
    end = time.monotonic() + 5
    while not true():
        assert time.monotonic() < end
        time.sleep(0.005)


@contextmanager
def running(stage: Stage) -> Iterator[None]:
    stage.watched.start()
    try:
        yield
    finally:
        for feed in stage.feeds:  # let readers that hang on purpose go home
            feed.put.put(None)
        stage.watched.close()
