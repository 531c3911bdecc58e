"""What waits for the first picture, and no longer."""

from __future__ import annotations

import threading
import time
from pathlib import Path

import pytest

from stream.event import Event
from stream.live.compiler import Compiler
from stream.live.compiling import Progress
from stream.live.notices import Notices
from stream.live.posing import Posing
from stream.live.scenes import SceneMaker
from stream.live.settling import FIRST_PICTURE_S, Settling
from tests.stream.batch.scenario import make_event
from tests.stream.live.test_figures import Clock

PATIENCE_S = 30.0


class Evening:
    """An event whose picture comes when the test says so."""

    def __init__(self, event: Event) -> None:
        self.said: list[str] = []
        self.clock, self.picture = Clock(), False
        self.loaded = threading.Event()
        posing, usual = Posing(event, Notices(self.said.append)), event.template("pier")
        stop = threading.Event()
        posing.begin(usual, SceneMaker(usual, 50, "cpu", stop, self.said.append))
        self.settling = Settling(
            event, posing, self.load, lambda: self.picture, stop, self.said.append, self.clock
        )

    def load(self, compiler: Compiler, progress: Progress) -> bool:
        self.loaded.set()
        return True


@pytest.fixture
def event(tmp_path: Path) -> Event:
    return make_event(tmp_path)


def test_all_begins_with_the_first_picture_and_the_store_is_made(event: Event) -> None:
    evening = Evening(event)
    evening.settling.tend()
    assert not evening.settling.begun
    assert not evening.settling.kernels_ready
    evening.picture = True
    for _ in range(3):
        evening.settling.tend()
    assert evening.settling.begun
    assert evening.loaded.wait(PATIENCE_S)
    end_s = time.monotonic() + PATIENCE_S
    while not event.paths.queue.exists() and time.monotonic() < end_s:
        time.sleep(0.02)
    assert event.paths.queue.exists()
    evening.settling.end(PATIENCE_S)
    assert evening.settling.kernels_ready
    assert evening.said == []


def test_a_camera_that_is_not_there_is_not_waited_for(event: Event) -> None:
    evening = Evening(event)
    evening.clock.now_s += FIRST_PICTURE_S - 0.1
    evening.settling.tend()
    assert not evening.settling.begun
    evening.clock.now_s += 0.2
    evening.settling.tend()
    assert evening.settling.begun
    evening.settling.end(PATIENCE_S)


def test_a_store_that_cannot_be_made_is_said(event: Event) -> None:
    event.paths.queue.mkdir(parents=True)
    evening = Evening(event)
    evening.picture = True
    evening.settling.tend()
    end_s = time.monotonic() + PATIENCE_S
    while not evening.said and time.monotonic() < end_s:
        time.sleep(0.02)
    assert "cannot be used" in evening.said[0]
    evening.settling.end(PATIENCE_S)
