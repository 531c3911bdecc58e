"""Frames held at a press and chosen among by another process: bounded, and never in the way."""

from __future__ import annotations

import itertools
import subprocess
import threading
import time
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from models.keyer import KeySettings
from stream.batch import JobQueue
from stream.batch.sweep import Sweep
from stream.event import Event
from stream.live.choosing import (
    HELD_BYTES,
    LONGEST_S,
    MOST_FRAMES,
    MOST_HELD,
    WAIT_S,
    Choosing,
    thinned,
    together,
)
from stream.live.ring import Ring, frame_bytes
from stream.own_process import begin
from stream.shot import Shot, load_shot, save_shot
from stream.shot.changes import CHOICE_MISSED
from tests.stream.live.evening import make_event
from tests.stream.live.frames import frame
from tests.stream.shot.bursts import burst

PATIENCE_S = 120.0
SETTINGS = KeySettings()


class Hall:
    """A choosing with everything that it tells."""

    def __init__(self, event: Event) -> None:
        self.event = event
        self.ring = Ring()
        self.settled: list[Shot] = []
        self.troubles: list[str] = []
        self.told: list[str] = []
        self.now_s = 0.0
        self.choosing = Choosing(
            event,
            self.ring,
            lambda act: act(),
            self.settled.append,
            self.told.append,
            self.troubles.append,
            lambda: self.now_s,
        )
        self.choosing.start()

    def pressed(self) -> Shot:
        """A shot whose choice is begun."""
        frames = burst(3)
        for one in frames:
            self.ring.add(one)
        until = datetime.now(UTC) + timedelta(seconds=WAIT_S)
        shot = save_shot(self.event, frames[-1], settings=SETTINGS, choice_until=until)
        found = together(self.choosing.hold(frames[-1].arrived_s, 2.0), frames[-1])
        assert found is not None
        self.choosing.begin(shot, found)
        return shot

    def until(self, check: Callable[[], object]) -> None:
        end = time.monotonic() + PATIENCE_S
        while not check():
            assert time.monotonic() < end, (self.troubles, self.told)
            time.sleep(0.02)


@pytest.fixture
def hall(tmp_path: Path) -> Iterator[Hall]:
    made = Hall(make_event(tmp_path))
    yield made
    made.choosing.close()


@pytest.mark.parametrize(("count", "most"), [(60, 24), (25, 24), (24, 24), (5, 2), (7, 1), (1, 1)])
def test_frames_are_thinned_evenly_and_the_last_stays(count: int, most: int) -> None:
    frames = [frame(n / 30, n) for n in range(count)]
    found = [f.index for f in thinned(frames, most)]
    assert len(found) == min(count, most)
    assert found[-1] == count - 1
    steps = {b - a for a, b in itertools.pairwise(found)}
    assert not steps or max(steps) - min(steps) <= 1


def test_what_is_held_is_bounded(hall: Hall) -> None:
    large = (720, 1280)
    for n in range(120):
        hall.ring.add(frame(n / 30, n, size=large))
    last_s = 119 / 30
    first = hall.choosing.hold(last_s, 60.0)
    assert first is not None
    assert len(first) <= MOST_FRAMES
    assert sum(map(frame_bytes, first)) <= HELD_BYTES
    assert last_s - first[0].arrived_s <= LONGEST_S
    for _ in range(MOST_HELD - 1):
        assert hall.choosing.hold(last_s, 1.0) is not None
    # Those before are not stored yet: one more would hold too much.
    assert hall.choosing.hold(last_s, 1.0) is None
    hall.choosing.let_go()
    again = hall.choosing.hold(last_s, 1.0)
    assert again is not None
    assert all(last_s - f.arrived_s <= 1.0 for f in again)


def test_only_frames_of_the_same_kind_stand_for_each_other() -> None:
    pressed = frame(2.0, 60)
    others = [frame(1.0, 30, size=(72, 128)), frame(1.1, 33, source="other"), frame(1.2, 36)]
    found = together([*others, frame(1.3, 39, quarter_turns=1)], pressed)
    assert found is not None
    assert [f.index for f in found] == [36, 60]
    assert together([pressed], pressed) is None
    assert together(None, pressed) is None
    # One that came after the last that was held.
    assert [f.index for f in together(others, frame(1.15, 34)) or ()] == [34, 36]


def test_it_chooses_and_tells_how_far_it_is(hall: Hall) -> None:
    shot = hall.pressed()
    assert hall.choosing.progress()[shot.id][1] == 8
    hall.until(lambda: hall.settled)
    assert hall.choosing.progress() == {}
    (chosen,) = hall.settled
    assert (chosen.id, chosen.index, chosen.choice_until) == (shot.id, 3, None)
    assert hall.troubles == []
    assert "the best of 8 frames: 0.1 s before: " in hall.told[0]


def test_a_process_that_dies_leaves_the_frame_of_the_press(
    hall: Hall, monkeypatch: pytest.MonkeyPatch
) -> None:
    begun = threading.Event()

    def killed(*words: str, **how: Any) -> subprocess.Popen[Any]:
        process = begin(*words, **how)
        process.kill()
        begun.set()
        return process

    monkeypatch.setattr("stream.live.choosing.begin", killed)
    shot = hall.pressed()
    hall.until(lambda: hall.settled)
    assert begun.is_set()
    (kept,) = hall.settled
    assert (kept.frame, kept.notes, kept.choice_until) == (shot.frame, (CHOICE_MISSED,), None)
    (trouble,) = hall.troubles
    assert shot.id in trouble
    assert "was ended by the system, as happens when memory runs out" in trouble


def test_a_disk_that_takes_no_frames_leaves_the_frame_of_the_press(
    hall: Hall, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_: object, **__: object) -> None:
        raise OSError(28, "No space left on device")

    with monkeypatch.context() as patch:
        patch.setattr("stream.shot.burst.np.save", full)
        shot = hall.pressed()
    (kept,) = hall.settled
    assert kept.frame == shot.frame
    assert "is full" in hall.troubles[0]
    assert hall.choosing.hold(0.0, 1.0) is not None  # nothing is held any more


def test_while_it_is_at_work_nobody_gives_it_up(
    hall: Hall, monkeypatch: pytest.MonkeyPatch
) -> None:
    wait = threading.Event()
    monkeypatch.setattr(hall.choosing, "_choose", lambda *_: wait.wait(PATIENCE_S))
    shot = hall.pressed()
    first = load_shot(hall.event, shot.id).choice_until
    assert first is not None
    hall.choosing.tend()
    assert load_shot(hall.event, shot.id).choice_until == first
    hall.now_s += WAIT_S / 2
    hall.choosing.tend()
    later = load_shot(hall.event, shot.id).choice_until
    assert later is not None
    assert later > first
    wait.set()


def test_the_worker_gives_up_what_a_dead_program_left(tmp_path: Path) -> None:
    event = make_event(tmp_path)
    due = datetime.now(UTC)
    shot = save_shot(event, burst(0)[0], settings=SETTINGS, choice_until=due)
    with JobQueue(event) as queue:
        assert not queue.enqueue(shot)
        assert queue.jobs()[0].state.name == "AWAITS_CHOICE"
        sweep = Sweep(event, queue)
        assert sweep(due) == 0
        assert load_shot(event, shot.id).choice_until == due
        assert sweep(due + timedelta(minutes=1)) == 1
        assert load_shot(event, shot.id).notes == (CHOICE_MISSED,)
        assert queue.jobs()[0].state.name == "WAITING"
