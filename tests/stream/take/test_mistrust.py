"""A source whose timestamps were wrong once: takes go by arrival, until they have been right."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from itertools import pairwise

import av
import pytest

from stream.capture.frame import Frame
from stream.capture.parameters import Parameters, parameters_of
from stream.capture.tap import Piece, Streams
from stream.take import PacketRing
from stream.take.backlog import Backlog
from stream.take.ring import GOOD_AGAIN
from tests.stream.batch.scenario import make_frame
from tests.stream.take.stage import Clock, numbered_clip

STEP_US = 40_000
KEY_EVERY = 10
FRAME = make_frame()


class Camera:
    """Frames and packets one by one, with any timestamps."""

    def __init__(self, picture: Parameters) -> None:
        self.clock = Clock()
        self.ring = PacketRing(clock=self.clock)
        self.streams = Streams("stage", picture)
        self.count = 0
        self.own_us = 7_000_000
        self.open()

    def open(self) -> None:
        self.ring.opened(self.streams, again=False)

    def give(self, count: int, by_us: int = 0) -> None:
        """So many frames; the first of them is stamped so much too late."""
        for n in range(count):
            at_us = self.own_us + (by_us if n == 0 else 0)
            key = self.count % KEY_EVERY == 0
            packet = Piece(at_us, at_us, STEP_US, key, True, False, b"x", size=1)
            self.ring.took([packet], 0, self._frame(at_us))
            self.count += 1
            self.own_us += STEP_US
            self.clock.sleep(STEP_US / 1e6)

    def _frame(self, at_us: int) -> Frame:
        base = Fraction(1, 1_000_000)
        return replace(FRAME, pts=at_us, time_base=base, arrived_s=self.clock.now)

    def wrong(self) -> None:
        """One frame is stamped before the one before it."""
        self.give(1, -3 * STEP_US)
        assert not self.ring.state().copied


@pytest.fixture(scope="module")
def picture(tmp_path_factory: pytest.TempPathFactory) -> Parameters:
    path = numbered_clip(tmp_path_factory.mktemp("clip") / "n.mp4", 3)
    with av.open(str(path)) as given:
        found = parameters_of(given.streams.video[0])
    assert found is not None
    return found


@pytest.fixture
def camera(picture: Parameters) -> Camera:
    return Camera(picture)


def pieces(camera: Camera) -> list[Piece]:
    """What a take would begin with now."""
    backlog = Backlog()
    camera.ring.attach(backlog, 0)
    camera.ring.detach(backlog)
    return list(iter(lambda: backlog.get(0), None))


def test_it_is_believed_again_after_many_right_ones(camera: Camera) -> None:
    camera.give(30)
    assert camera.ring.state().copied
    camera.wrong()
    camera.give(GOOD_AGAIN - 1)
    assert not camera.ring.state().copied
    assert camera.ring.state().ready
    camera.give(KEY_EVERY + 1)
    assert camera.ring.state().copied
    camera.give(30)
    kept = pieces(camera)
    assert kept[0].key
    assert all(p.frame is None for p in kept)
    assert {b.at_us - a.at_us for a, b in pairwise(kept)} == {STEP_US}
    # On the line of the clock, as before.
    assert kept[-1].at_us == camera.ring.line_us(camera.clock.now) - STEP_US


def test_one_that_errs_again_must_be_right_for_twice_as_long(camera: Camera) -> None:
    camera.give(10)
    camera.wrong()
    camera.give(GOOD_AGAIN + KEY_EVERY)
    assert camera.ring.state().copied
    camera.wrong()
    camera.give(GOOD_AGAIN + KEY_EVERY)
    assert not camera.ring.state().copied
    camera.give(GOOD_AGAIN)
    assert camera.ring.state().copied


def test_those_that_are_wrong_now_and_then_are_never_believed(camera: Camera) -> None:
    camera.give(10)
    for _ in range(6):
        camera.wrong()
        camera.give(GOOD_AGAIN // 2)
    assert not camera.ring.state().copied


def test_a_take_is_not_ended_by_it(camera: Camera) -> None:
    camera.give(10)
    camera.wrong()
    backlog = Backlog()
    camera.ring.attach(backlog, 0)
    camera.give(3 * GOOD_AGAIN)
    camera.open()  # the connection was lost for a moment
    camera.give(20)
    assert backlog.ended is None
    assert not camera.ring.state().copied
    found = list(iter(lambda: backlog.get(0), None))
    assert len(found) > 3 * GOOD_AGAIN
    assert all(p.frame is not None for p in found)
    camera.ring.detach(backlog)
    camera.give(GOOD_AGAIN + KEY_EVERY)
    assert camera.ring.state().copied


def test_a_source_that_is_opened_anew_is_judged_anew(camera: Camera) -> None:
    camera.give(10)
    camera.wrong()
    camera.give(5)
    camera.open()
    camera.count = 0
    camera.give(5)
    assert camera.ring.state().copied
    assert all(p.frame is None for p in pieces(camera))
    camera.wrong()
