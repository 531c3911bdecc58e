"""The ring keeps within its budgets and finds the frame of the press."""

import threading

import pytest

from stream.live.ring import Ring, frame_bytes
from tests.stream.live.frames import frame


def test_frame_bytes_of_420() -> None:
    # ITU-R BT.601 4:2:0: one chroma pair for four luma samples, 1.5 samples a pixel
    assert frame_bytes(frame(size=(36, 64))) == 36 * 64 * 3 // 2


def test_bytes_are_bounded() -> None:
    one = frame_bytes(frame())
    ring = Ring(budget_bytes=10 * one, longest_s=1e9)
    for n in range(100):
        ring.add(frame(n / 30, n))
        assert ring.held_bytes <= 10 * one
    assert len(ring) == 10
    nearest = ring.nearest(0.0)
    assert nearest is not None
    assert nearest.index == 90


def test_seconds_are_bounded() -> None:
    ring = Ring(budget_bytes=1 << 40, longest_s=2.0)
    for n in range(300):
        ring.add(frame(n / 30, n))
    assert ring.span_s == pytest.approx(2.0, abs=1 / 30)


def test_newest_stays_even_when_larger_than_the_budget() -> None:
    ring = Ring(budget_bytes=10, longest_s=5)
    ring.add(frame(0.0, 0))
    ring.add(frame(0.1, 1))
    assert len(ring) == 1
    newest = ring.nearest(0.0)
    assert newest is not None
    assert newest.index == 1


@pytest.mark.parametrize(
    ("moment_s", "index"), [(-5.0, 0), (0.0, 0), (0.04, 0), (0.06, 1), (0.15, 1), (9.0, 9)]
)
def test_nearest(moment_s: float, index: int) -> None:
    ring = Ring(longest_s=100.0)
    for n in range(10):
        ring.add(frame(n * 0.1, n))
    found = ring.nearest(moment_s)
    assert found is not None
    assert found.index == index


def test_nearest_waits_for_the_frame_after_the_press() -> None:
    ring = Ring()
    ring.add(frame(0.0, 0))
    later = threading.Timer(0.05, lambda: ring.add(frame(1.0, 1)))
    later.start()
    found = ring.nearest(0.9, wait_s=10.0)
    later.join()
    assert found is not None
    assert found.index == 1


def test_empty_and_cleared() -> None:
    ring = Ring()
    assert ring.nearest(0.0) is None
    assert ring.span_s == 0.0
    ring.add(frame())
    ring.clear()
    assert ring.nearest(0.0) is None
    assert ring.held_bytes == 0


def test_the_frames_of_a_stretch_of_time_are_there_in_order() -> None:
    ring = Ring()
    for n in range(10):
        ring.add(frame(n / 10, n))
    assert [f.index for f in ring.between(0.25, 0.7)] == [3, 4, 5, 6, 7]
    assert ring.between(2.0, 3.0) == []
