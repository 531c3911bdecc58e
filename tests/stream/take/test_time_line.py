"""One line for pictures and sound, whatever the source's timestamps do."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

import pytest

from stream.capture.frame import Frame
from stream.capture.tap import Piece
from stream.take.time_line import TimeLine, own_us
from tests.stream.batch.scenario import make_frame

STEP_US = 40_000


def frame(own: int | None, arrived_us: int) -> Frame:
    base = Fraction(1, 1_000_000) if own is not None else None
    return replace(make_frame(), pts=own, time_base=base, arrived_s=arrived_us / 1e6)


def piece(own: int, sound: bool = False) -> Piece:
    return Piece(own, own, STEP_US, True, True, sound, b"x")


def laid(line: TimeLine, own: int, now_us: int) -> int:
    assert line.meet(frame(own, now_us))
    found = line.lay(piece(own), now_us)
    assert found is not None
    return found.at_us


@pytest.mark.parametrize("jump_us", [3_600_000_000, -3_600_000_000, 11_000_000, -2_000_000])
def test_a_step_that_no_camera_makes_is_left_out(jump_us: int) -> None:
    line, start, own = TimeLine(), 5_000_000, 10_000_000_000
    times = []
    for n in range(50):
        shift = jump_us if n >= 25 else 0
        times.append(laid(line, own + n * STEP_US + shift, start + n * STEP_US))
    assert times == [start + n * STEP_US for n in range(50)]


def test_a_pause_within_a_connection_stays() -> None:
    line, start = TimeLine(), 5_000_000
    before = laid(line, 0, start)
    assert laid(line, 4_000_000, start + 4_000_000) - before == 4_000_000


def test_a_new_connection_goes_on_after_the_true_pause() -> None:
    line = TimeLine()
    assert laid(line, 77_000_000, 5_000_000) == 5_000_000
    line.begin()
    assert not line.begun
    assert laid(line, 3_000, 9_000_000) == 9_000_000


def test_late_frames_move_nothing_and_an_instant_finds_its_place() -> None:
    line, start = TimeLine(), 5_000_000
    for n in range(200):
        late = 300_000 if n % 20 == 7 else 4_000
        assert laid(line, n * STEP_US, start + n * STEP_US + late) == start + 4_000 + n * STEP_US
    assert line.of_clock(9_000_000) == 9_000_000


def test_sound_far_from_the_picture_has_no_place() -> None:
    line = TimeLine()
    laid(line, 0, 5_000_000)
    near = line.lay(piece(-300_000, sound=True), 5_000_000)
    assert near is not None
    assert near.at_us == 4_700_000
    assert line.lay(piece(60_000_000, sound=True), 5_000_000) is None


def test_frames_without_a_time_lie_where_they_arrived() -> None:
    line = TimeLine()
    assert own_us(frame(None, 0)) is None
    for arrived_us in (5_000_000, 5_200_000):
        late = frame(None, arrived_us)
        assert line.meet(late)
        found = line.lay(piece(line.frame_us(late)), arrived_us)
        assert found is not None
        assert found.at_us == arrived_us


def test_a_time_that_goes_back_a_little_is_wrong() -> None:
    line = TimeLine()
    assert line.meet(frame(120_000, 5_000_000))
    assert not line.meet(frame(80_000, 5_040_000))
    assert line.meet(frame(160_000, 5_080_000))


def test_timestamps_that_are_right_again_go_on_where_the_arrivals_were() -> None:
    line, start = TimeLine(), 5_000_000
    laid(line, 1_000_000, start)
    line.by_arrival = True
    assert not line.meet(frame(990_000, start + STEP_US))
    assert line.meet(frame(30_000_000, start + 2 * STEP_US))
    good = frame(30_040_000, start + 3 * STEP_US)
    assert line.meet(good)
    line.trust(good)
    found = line.lay(piece(30_040_000), start + 3 * STEP_US)
    assert found is not None
    assert found.at_us == start + 3 * STEP_US
    assert laid(line, 30_080_000, start + 4 * STEP_US) == start + 4 * STEP_US
