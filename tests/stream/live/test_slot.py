"""Newest wins, and nothing passed over goes uncounted."""

import threading

from stream.live.slot import Slot


def test_newest_wins_and_counts() -> None:
    slot: Slot[int] = Slot()
    for n in range(5):
        slot.put(n)
    assert slot.take(0) == 4
    assert slot.passed_over == 4
    assert slot.put_count == 5
    assert slot.take(0) is None


def test_taken_items_are_not_passed_over() -> None:
    slot: Slot[int] = Slot()
    for n in range(3):
        slot.put(n)
        assert slot.take(0) == n
    assert slot.passed_over == 0


def test_close_wakes_a_taker_and_keeps_the_last() -> None:
    slot: Slot[int] = Slot()
    got: list[int | None] = []
    taker = threading.Thread(target=lambda: got.append(slot.take(30)))
    taker.start()
    slot.close()
    taker.join(10)
    assert not taker.is_alive()
    assert got == [None]
    held: Slot[int] = Slot()
    held.put(1)
    held.close()
    held.put(2)
    assert held.take(0) == 1
    assert held.closed


def test_every_item_is_taken_or_counted_between_threads() -> None:
    slot: Slot[int] = Slot()
    taken: list[int] = []

    def take() -> None:
        while (item := slot.take(10)) is not None:
            taken.append(item)

    taker = threading.Thread(target=take)
    taker.start()
    for n in range(2000):
        slot.put(n)
    slot.close()
    taker.join(10)
    assert not taker.is_alive()
    assert taken == sorted(set(taken))
    assert taken[-1] == 1999
    assert len(taken) + slot.passed_over == 2000
