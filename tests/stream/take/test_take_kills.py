"""A program that records is killed at random moments: its takes are there up to the last second.

POSIX.1-2017 SIGKILL cannot be caught. POSEWALL_KILLS says how often; few, so that all stays short.
"""

from __future__ import annotations

import multiprocessing
import os
import random
import time
from datetime import datetime, timedelta
from itertools import pairwise
from pathlib import Path
from typing import Any

from stream.durable import PARTIAL
from stream.event import Event
from stream.take import Take, load_take, open_take, sweep_takes, take_ids
from stream.take.sweeping import CUT_OFF
from tests.stream.batch import roles as batch_roles
from tests.stream.batch.scenario import make_event
from tests.stream.take import roles
from tests.stream.take.stage import click_times, number_of, numbered_clip

KILLS = int(os.environ.get("POSEWALL_KILLS", "5"))
COUNT = 500
# Of what is compressed beside the program, too: these pictures are small enough for that to be at
# hand. Measured beside three others on two processors: .1 to .5 s.
LOST_S = 1.0


def heard(pipe: Any) -> list[tuple[Any, ...]]:
    """What was told before the death; a message it was killed in does not count."""
    told = []
    try:
        while pipe.poll():
            told.append(pipe.recv())
    except EOFError:
        pass
    return told


def check(event: Event, take: Take) -> list[tuple[float, int]]:
    """A take's frames by time; every one with its number, in order, at the right distance."""
    shown = []
    for frame in open_take(event, take).frames():
        assert frame.pts is not None
        assert frame.time_base is not None
        shown.append((float(frame.pts * frame.time_base), number_of(frame)))
    # At the very end pictures may lack that were to be shown between others.
    sure = [s for s in shown if s[0] < (take.end_s or shown[-1][0] - 0.15)]
    for (at, number), (after, other) in pairwise(sure):
        assert other == (number + 1) % COUNT, shown
        assert abs(after - at - 0.04) < 0.0015, shown
    assert shown[0][0] == 0
    return shown


def test_killed_while_recording(tmp_path: Path) -> None:
    event = make_event(tmp_path)
    numbered_clip(tmp_path / "n.mp4", COUNT, key_every=10, sound=True)
    numbered_clip(tmp_path / "raw.avi", COUNT, codec="rawvideo")
    chance = random.Random(20260531)
    cut_off = looked = 0
    for kill in range(KILLS):
        before = set(take_ids(event))
        here, there = multiprocessing.Pipe(duplex=False)
        process = batch_roles.process(roles.record, str(event.paths.root), kill, there)
        there.close()
        told: list[tuple[Any, ...]] = []
        while not told:
            assert here.poll(120)
            told.append(here.recv())
        time.sleep(chance.uniform(0.0, 4.0))
        process.kill()
        process.join()
        assert process.exitcode == -9
        told += heard(here)
        here.close()

        mended = sweep_takes(event)
        assert len(mended) <= 1
        kept = {t[1]: t[2] for t in told if t[0] == "kept"}
        for take_id in set(take_ids(event)) - before:
            take = load_take(event, take_id)
            assert not take.recording
            if take_id in kept:
                assert take.length_s == kept[take_id]
                assert take.notes == ()
                check(event, take)
        begun = [i for i, t in enumerate(told) if t[0] == "begun"]
        last = told[begun[-1]][1]
        assert set(take_ids(event)) >= {told[i][1] for i in begun}
        if mended and mended[0].id == last:
            cut_off += 1
            shown = [t for t in told[begun[-1] :] if t[0] == "shown"]
            looked += look_at_cut_off(event, mended[0], shown)
        leftovers = [p for p in event.paths.takes.iterdir() if not p.name.startswith(PARTIAL)]
        assert {p.name for p in leftovers} == set(take_ids(event))
    assert cut_off or KILLS < 3
    assert looked or KILLS < 10


def look_at_cut_off(event: Event, take: Take, told: list[tuple[Any, ...]]) -> bool:
    """What was shown more than a second before the death is there, with the right times.

    Returns:
        False where the take was not yet old enough to say so.
    """
    assert CUT_OFF in take.notes
    assert take.length_s is not None
    lost = round(LOST_S * 25)
    due = [t[:3] for t in told[:-lost]]
    if not due or told[-lost][3]:  # dead within its first second, or before it was compressed
        return False
    shown = check(event, take)
    times = {number: at for at, number in shown}
    assert {t[2] for t in due} <= set(times), (due[-1], shown[-1])
    # The wall clock of every frame; a busy computer shows some late, none early.
    late = [
        (wall - (take.begun + timedelta(seconds=times[number]))).total_seconds()
        for wall, number in ((w, n) for _, w, n in due if isinstance(w, datetime))
    ]
    assert abs(min(late)) < 0.2
    assert (event.paths.takes / take.id / "view.jpg").stat().st_size > 0
    assert [f.shape for f in take.films] == ["wide"]
    if not open_take(event, take).has_sound:
        assert take.source == "raw.avi"
        return True
    marks = [at for at, number in shown if number % 25 == 0]
    for click in click_times(event.paths.takes / take.id / take.file)[1:]:
        assert min(abs(click - m) for m in marks) < 0.01 or click > shown[-1][0]
    return True
