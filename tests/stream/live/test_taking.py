"""One take at a time: counted, begun, ended by whoever is first, and told once."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import UTC, datetime
from typing import Any

import pytest

from stream.config import LONGEST_S, MOST_TAKE_S
from stream.errors import UserError
from stream.live.taking import COUNTED_OUT, Taking, kept_words
from stream.take import RecorderState, Take, TakeError

PATIENCE_S = 30.0
PLAIN = Take(
    id="t0001-aaaaaa",
    number=1,
    unique="a" * 32,
    begun=datetime(2026, 5, 31, 18, 0, tzinfo=UTC),
    source="hall camera",
    file="take.mkv",
    recording=False,
    sound="",
    quarter_turns=0,
    mirror=False,
    people=(),
    template="dusk",
    template_version="0" * 16,
    plate=None,
    settings={},
    begin_s=1.0,
    end_s=5.2,
    length_s=6.0,
)


class Records:
    """Records nothing, and ends when and in the order that a test says."""

    def __init__(self) -> None:
        self.on_end: Callable[[Take], None] = lambda take: None
        self.begun: list[tuple[float, float]] = []
        self.broken = ""
        self.slow = threading.Event()
        self.slow.set()
        self.late: list[Take] = []
        self.tells_late = False
        self._take: Take | None = None
        self._recording = False

    def listen(self) -> None:
        pass

    def start(self, before_s: float, most_s: float) -> Take:
        assert self.slow.wait(PATIENCE_S)
        if self.broken:
            raise TakeError(self.broken)
        number = len(self.begun) + 1
        self.begun.append((before_s, most_s))
        self._take, self._recording = replace(PLAIN, id=f"t{number:04d}-aaaaaa"), True
        return self._take

    def end(self) -> None:
        """It ends by itself."""
        assert self._take is not None
        self._recording = False
        self.on_end(self._take)

    def stop(self) -> Take:
        assert self._take is not None
        if self._recording:
            self._recording = False
            if self.tells_late:
                self.late.append(self._take)
            else:
                self.on_end(self._take)
        return self._take

    def state(self) -> RecorderState:
        name = self._take.id if self._take is not None else ""
        return RecorderState(self._recording, name, 12.0, 60.0, 1.0, sound="a microphone")


class Hall:
    """A taking with everything that it tells."""

    def __init__(self) -> None:
        self.records = Records()
        self.kept: list[str] = []
        self.told: list[str] = []
        self.troubles: list[str] = []
        self.longest_s, self.greeting = LONGEST_S, ""
        self.taking = Taking(
            self.records,
            lambda take: self.kept.append(take.id),
            self.told.append,
            self.troubles.append,
            lambda: None,
            lambda: "a microphone",
            longest_s=lambda: self.longest_s,
            greeting=lambda take: self.greeting,
        )
        self.records.on_end = self.taking.ended
        self.taking.open()

    def until(self, state: str) -> dict[str, Any]:
        end = time.monotonic() + PATIENCE_S
        while (now := self.taking.state())["state"] != state:
            assert time.monotonic() < end, now
            time.sleep(0.005)
        return now


@pytest.fixture
def hall() -> Iterator[Hall]:
    made = Hall()
    yield made
    made.records.slow.set()
    made.taking.close()


def test_one_is_begun_and_ended(hall: Hall) -> None:
    taking = hall.taking
    assert taking.state()["state"] == "none"
    begun = taking.start(0.0, 60.0, 1.5).result(PATIENCE_S)
    assert begun["take"] == "t0001-aaaaaa"
    assert "sound: a microphone; it ends by itself after 60 s" in begun["sentence"]
    assert hall.records.begun == [(1.5, 60.0)]
    now = hall.until("recording")
    assert (now["elapsed_s"], now["left_s"], now["before_s"]) == (12.0, 48.0, 1.0)
    assert taking.words() == "RECORDING 12 of 60 s"
    with pytest.raises(UserError, match="running already"):
        taking.start(0.0)
    first, second = taking.stop(), taking.stop()
    assert first.result(PATIENCE_S) == second.result(PATIENCE_S)
    assert first.result()["sentence"] == "Kept take t0001-aaaaaa, 4.2 s"
    hall.until("none")
    assert (hall.kept, hall.told) == (["t0001-aaaaaa"], [])  # whoever stopped it is answered
    with pytest.raises(UserError, match="nothing to stop"):
        taking.stop()


def test_a_count_comes_before_it_and_can_be_ended(hall: Hall) -> None:
    begun = hall.taking.start(600.0)
    now = hall.until("counting")
    assert 590 < now["count_s"] <= 600
    assert hall.taking.words() == f"recording in {now['count_s']:.0f} s"
    answer = hall.taking.press().result(PATIENCE_S)  # the key once more
    assert answer == {"take": None, "sentence": COUNTED_OUT}
    with pytest.raises(UserError, match="nothing was recorded"):
        begun.result(PATIENCE_S)
    assert hall.taking.state()["state"] == "none"
    assert hall.records.begun == []
    assert hall.taking.start(0.05).result(PATIENCE_S)["take"] == "t0001-aaaaaa"


def test_what_ends_by_itself_is_told_once(hall: Hall) -> None:
    hall.taking.start(0.0).result(PATIENCE_S)
    hall.until("recording")
    hall.records.end()
    hall.until("none")
    assert hall.told == [kept_words(PLAIN)]
    hall.taking.start(0.0).result(PATIENCE_S)
    hall.until("recording")
    assert hall.taking.stop().result(PATIENCE_S)["take"] == "t0002-aaaaaa"
    assert (hall.kept, len(hall.told)) == (["t0001-aaaaaa", "t0002-aaaaaa"], 1)


def test_an_end_told_late_does_not_end_the_next_one(hall: Hall) -> None:
    hall.records.tells_late = True
    hall.taking.start(0.0).result(PATIENCE_S)
    hall.taking.stop().result(PATIENCE_S)
    hall.taking.start(0.0).result(PATIENCE_S)
    hall.until("recording")
    (late,) = hall.records.late
    hall.taking.ended(late)
    assert hall.taking.state()["state"] == "recording"
    assert (hall.kept, hall.told) == (["t0001-aaaaaa"], [])
    assert hall.taking.stop().result(PATIENCE_S)["take"] == "t0002-aaaaaa"


def test_a_stop_while_it_begins_waits_for_it(hall: Hall) -> None:
    hall.records.slow.clear()
    begun, stopped = hall.taking.start(0.0), hall.taking.stop()
    assert hall.taking.state()["state"] == "keeping"
    with pytest.raises(UserError, match="still being kept"):
        hall.taking.start(0.0)
    hall.records.slow.set()
    assert begun.result(PATIENCE_S)["take"] == stopped.result(PATIENCE_S)["take"]
    hall.until("none")


def test_what_cannot_be_begun_says_why_and_the_next_one_can(hall: Hall) -> None:
    hall.records.broken = "there is no picture yet; wait for the camera, and record it then."
    begun = hall.taking.start(0.0)
    with pytest.raises(UserError, match="no picture yet"):
        begun.result(PATIENCE_S)
    hall.until("none")
    assert hall.troubles == [hall.records.broken]
    hall.records.broken = ""
    hall.taking.start(0.0).result(PATIENCE_S)
    hall.until("recording")


@pytest.mark.parametrize("most_s", [0.0, -1.0, MOST_TAKE_S + 1, float("inf"), float("nan")])
def test_a_length_that_cannot_be_is_refused(hall: Hall, most_s: float) -> None:
    with pytest.raises(UserError, match="cannot be recorded"):
        hall.taking.start(0.0, most_s)
    assert hall.taking.state()["state"] == "none"


def test_the_end_of_the_program_keeps_what_is_recorded(hall: Hall) -> None:
    hall.taking.start(0.0).result(PATIENCE_S)
    hall.until("recording")
    assert hall.taking.close()
    assert hall.kept == ["t0001-aaaaaa"]


def test_it_ends_by_itself_after_what_the_event_says_as_it_is_now(hall: Hall) -> None:
    assert hall.taking.state()["longest_s"] == LONGEST_S
    hall.longest_s = 45.0
    assert hall.taking.state()["longest_s"] == 45.0
    hall.taking.start(0.0).result(PATIENCE_S)
    hall.taking.stop().result(PATIENCE_S)
    hall.taking.start(0.0, 12.0).result(PATIENCE_S)
    assert [most_s for _, most_s in hall.records.begun] == [45.0, 12.0]


def test_when_the_greeting_may_be_expected_is_said_with_the_end(hall: Hall) -> None:
    hall.greeting = "its greeting may be expected in about 12 minutes, after 2 others"
    hall.taking.start(0.0).result(PATIENCE_S)
    hall.until("recording")
    said = hall.taking.stop().result(PATIENCE_S)["sentence"]
    assert said == f"Kept take t0001-aaaaaa, 4.2 s; {hall.greeting}"
    hall.taking.start(0.0).result(PATIENCE_S)
    hall.until("recording")
    hall.records.end()
    hall.until("none")
    assert hall.told == [f"{kept_words(PLAIN).replace('t0001', 't0002')}; {hall.greeting}"]


def test_one_without_a_picture_says_so() -> None:
    assert "no picture" in kept_words(replace(PLAIN, begin_s=0.0, end_s=None, length_s=None))
    assert kept_words(replace(PLAIN, end_s=None)) == "Kept take t0001-aaaaaa, 5.0 s"
