"""The keeper works in order, tells every failure in a sentence and goes on; so does the loop."""

from __future__ import annotations

import threading
import time
from concurrent.futures import Future
from typing import Any

import pytest

from models.errors import ShapeError
from stream.errors import UserError
from stream.live.countdown import Countdown
from stream.live.keeping import FAILED, REST_FAILED, Keeper
from stream.live.notices import Notices, ScreenWatch
from stream.live.steady import Steady


def test_in_order_and_off_the_caller() -> None:
    keeper = Keeper(lambda _: None)
    keeper.start()
    done: list[tuple[int, int]] = []

    def act(n: int) -> dict[str, Any]:
        time.sleep(0.001)
        done.append((n, threading.get_ident()))
        return {"n": n}

    answers = [keeper.do(lambda n=n: act(n)) for n in range(20)]  # type: ignore[misc]
    assert [a.result(10)["n"] for a in answers] == list(range(20))
    assert [n for n, _ in done] == list(range(20))
    assert threading.get_ident() not in {t for _, t in done}
    assert keeper.close(10)


@pytest.mark.parametrize(
    ("error", "sentence"),
    [
        (UserError("The disk is full."), "The disk is full."),
        (ShapeError("The plate is of another size."), "The plate is of another size."),
        (ZeroDivisionError("x"), FAILED),
    ],
)
def test_a_failure_is_told_and_the_next_press_works(error: Exception, sentence: str) -> None:
    told: list[str] = []
    keeper = Keeper(told.append)
    keeper.start()

    def fail() -> dict[str, Any]:
        raise error

    with pytest.raises(UserError) as failed:
        keeper.do(fail).result(10)
    assert str(failed.value) == sentence
    assert told == [sentence]
    assert keeper.do(lambda: {"shot": "1"}).result(10) == {"shot": "1"}
    assert keeper.close(10)


def test_close_finishes_what_was_pressed_and_refuses_later_presses() -> None:
    keeper = Keeper(lambda _: None)
    gate = threading.Event()

    def slow() -> dict[str, Any]:
        gate.wait(10)
        return {"kept": True}

    keeper.start()
    before: Future[dict[str, Any]] = keeper.do(slow)
    threading.Timer(0.05, gate.set).start()
    assert keeper.close(10)
    assert before.result(0) == {"kept": True}
    with pytest.raises(UserError, match="ending"):
        keeper.do(lambda: {}).result(1)


def test_an_answer_does_not_wait_for_what_is_left_to_do() -> None:
    told: list[str] = []
    keeper = Keeper(told.append)
    keeper.start()
    gate, done = threading.Event(), list[str]()

    def press(name: str) -> dict[str, Any]:
        def rest() -> None:
            gate.wait(10)
            done.append(f"rest of {name}")

        done.append(name)
        keeper.after(rest)
        return {"shot": name}

    assert keeper.do(lambda: press("1")).result(10) == {"shot": "1"}
    second = keeper.do(lambda: press("2"))
    assert done == ["1"]
    gate.set()
    assert second.result(10) == {"shot": "2"}
    assert keeper.close(10)
    assert done == ["1", "rest of 1", "2", "rest of 2"]
    assert told == []


def test_what_is_left_to_do_may_fail() -> None:
    told: list[str] = []
    keeper = Keeper(told.append)
    keeper.start()

    def press(error: Exception) -> dict[str, Any]:
        def fail() -> None:
            raise error

        keeper.after(fail)
        return {}

    assert keeper.do(lambda: press(KeyError("x"))).result(10) == {}
    assert keeper.do(lambda: press(UserError("No room."))).result(10) == {}
    assert keeper.close(10)
    assert told == [REST_FAILED, "No room."]


def test_steady_goes_on_after_errors() -> None:
    turns: list[int] = []
    told: list[str] = []

    def step() -> bool:
        turns.append(len(turns))
        if len(turns) in (2, 3):
            raise UserError("A sentence.") if len(turns) == 2 else KeyError("inner")
        return len(turns) < 6

    steady = Steady("key", step, threading.Event(), told.append)
    steady.start()
    assert steady.join(10)
    assert len(turns) == 6
    assert told == [
        "A sentence.",
        "The program made a mistake while keying a frame and goes on; the event's log says what "
        "went wrong.",
    ]


def test_steady_stops_when_told() -> None:
    stop = threading.Event()

    def step() -> bool:
        time.sleep(0.001)
        return True

    steady = Steady("key", step, stop, lambda _: None)
    steady.start()
    stop.set()
    assert steady.join(10)


class Clock:
    """Moved by the test."""

    now_s = 0.0

    def __call__(self) -> float:
        return self.now_s


def test_notices_pass_or_stand() -> None:
    clock, told = Clock(), list[str]()
    notices = Notices(told.append, clock)
    notices.passing("a")
    clock.now_s = 1
    notices.passing("b")
    notices.passing("a")
    notices.standing("plate", "c")
    notices.standing("plate", "c")
    assert told == ["a", "b", "c"]
    assert notices.now()[0] == "c"
    assert set(notices.now()) == {"a", "b", "c"}
    clock.now_s = 60
    assert notices.now() == ["c"]
    notices.standing("plate", None)
    assert notices.now() == []
    notices.passing("a")
    assert told == ["a", "b", "c", "a"]
    notices.standing("stills", "d", 300.0)
    clock.now_s = 359.0
    assert notices.now() == ["d"]
    clock.now_s = 361.0
    assert notices.now() == []


def test_a_missing_screen_is_said_after_a_while_and_taken_back() -> None:
    clock = Clock()
    notices = Notices(lambda _: None, clock)
    watch = ScreenWatch(notices, clock)
    watch.note(False)
    clock.now_s = 1.0
    watch.note(False)
    assert notices.now() == []
    watch.note(True)
    clock.now_s = 2.5
    watch.note(False)
    assert notices.now() == []
    clock.now_s = 5.0
    watch.note(False)
    assert "No green or blue screen" in notices.now()[0]
    watch.note(True)
    assert notices.now() == []


def test_a_press_that_nobody_waits_for_is_done_and_the_next_too() -> None:
    keeper = Keeper(lambda _: None)
    gate = threading.Event()
    done: list[str] = []

    def slow() -> dict[str, Any]:
        gate.wait(10)
        done.append("slow")
        return {}

    def second() -> dict[str, Any]:
        done.append("second")
        return {}

    keeper.start()
    keeper.do(slow)
    assert keeper.do(second).cancel()  # still waiting for its turn
    gate.set()
    assert keeper.do(lambda: {"shot": "3"}).result(10) == {"shot": "3"}
    assert done == ["slow", "second"]
    assert keeper.close(10)


@pytest.mark.parametrize("error", [None, UserError("The disk is full.")])
def test_a_count_that_nobody_waits_for_presses_all_the_same(error: UserError | None) -> None:
    pressed: list[Future[dict[str, Any]]] = []

    def press(_: float) -> Future[dict[str, Any]]:
        if error is not None:
            raise error
        pressed.append(Future())
        return pressed[-1]

    count = Countdown(press)
    assert count.start(0.02).cancel()
    end = time.monotonic() + 10
    while count.left_s is not None or (error is None and not pressed):
        assert time.monotonic() < end
        time.sleep(0.01)
    for future in pressed:
        future.set_result({})
    again = count.start(0.0)  # no count is left running
    if error is None:
        while len(pressed) < 2:
            time.sleep(0.01)
        pressed[1].set_result({"shot": "1"})
        assert again.result(10) == {"shot": "1"}
    else:
        with pytest.raises(UserError, match="full"):
            again.result(10)
