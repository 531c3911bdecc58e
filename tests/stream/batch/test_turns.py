"""Pictures go before films, fairly, and a film never waits for ever."""

from __future__ import annotations

import threading
from collections.abc import Iterator

import pytest

from stream.batch.turns import ASK_S, PATIENCE_S, FilmTurn, Turns


class Clock:
    """Time that is set."""

    def __init__(self) -> None:
        self.now = 0.0

    def __call__(self) -> float:
        return self.now


def never() -> None:
    """A film that goes on."""


def test_every_waiting_picture_goes_before_the_next_frame_of_a_film() -> None:
    turns, order, stop = Turns(), list[str](), threading.Event()
    film = FilmTurn(turns, lambda: False, never)
    film.begin()
    pictures = [threading.Thread(target=picture, args=(turns, order, n)) for n in range(5)]
    for thread in pictures:
        thread.start()
    while turns.waiting < len(pictures):
        assert not stop.wait(0.001)
    order.append("frame")
    film.between()
    order.append("frame")
    film.end()
    for thread in pictures:
        thread.join()
    assert order[0] == order[-1] == "frame"
    assert sorted(order[1:-1]) == [f"picture {n}" for n in range(5)]
    assert turns.pictures == 10


def picture(turns: Turns, order: list[str], number: int) -> None:
    """One picture's turn."""
    with turns.picture():
        order.append(f"picture {number}")


def test_nobody_works_beside_another() -> None:
    turns, at_work, most = Turns(), list[int](), list[int]()

    def work() -> None:
        at_work.append(1)
        most.append(len(at_work))
        at_work.pop()

    def pictures() -> None:
        for _ in range(200):
            with turns.picture():
                work()

    film = FilmTurn(turns, lambda: False, never)
    threads = [threading.Thread(target=pictures) for _ in range(3)]
    film.begin()
    for thread in threads:
        thread.start()
    for _ in range(200):
        work()
        film.between()
    film.end()
    for thread in threads:
        thread.join()
    assert set(most) == {1}
    assert len(most) == 800


def test_a_picture_in_the_store_is_waited_for_until_it_came() -> None:
    turns, clock = Turns(), Clock()
    answers: Iterator[bool] = iter([False, True, True, False])
    film = FilmTurn(turns, lambda: next(answers), never, clock)
    film.begin()
    film.between()  # asked a moment ago: not once more
    clock.now += ASK_S
    ended = threading.Event()

    def go_on() -> None:
        film.between()
        ended.set()

    thread = threading.Thread(target=go_on)
    thread.start()
    with turns.picture():
        # It let go of the turn, or this line were never reached.
        assert not ended.is_set()
    while not ended.wait(0.01):
        clock.now += ASK_S
    thread.join()
    film.end()


def test_a_store_that_never_hands_a_picture_out_holds_no_film_for_ever() -> None:
    turns, clock, waited = Turns(), Clock(), list[float]()

    def queued() -> bool:
        waited.append(clock.now)
        clock.now += PATIENCE_S / 10
        return True

    FilmTurn(turns, queued, never, clock).begin()
    assert max(waited) >= PATIENCE_S - PATIENCE_S / 5
    assert len(waited) < 20


def test_a_film_that_is_to_end_waits_no_longer() -> None:
    class EndError(Exception):
        pass

    ending = threading.Event()

    def ended() -> None:
        if ending.is_set():
            raise EndError

    turns = Turns()
    film = FilmTurn(turns, lambda: False, ended)
    film.begin()
    film.end()
    film.end()
    with turns.picture():
        ending.set()
        with pytest.raises(EndError):
            film.begin()
        film.end()
    with turns.picture():
        pass
