"""The watchdog's judgement, by a clock that the test turns. Real threads, real hand-over.

The sources here only decide when a frame comes and when a read fails or hangs; the network tests
hold the same watchdog against a real sender.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator

import pytest

from stream.capture.errors import SourceError, SourceLost
from stream.capture.watch import WatchState
from tests.stream.capture.watch_stage import Feed, Stage, frame, running, wait_for


@pytest.fixture
def stage() -> Iterator[Stage]:
    made = Stage()
    with running(made):
        yield made


def test_silence_is_noticed_within_three_seconds_and_ends_with_the_next_frame(
    stage: Stage,
) -> None:
    stage.feed(0).put.put(frame(7))
    assert "the picture is there" in stage.until(WatchState.LIVE).sentence
    stage.now += 1.9
    time.sleep(0.25)
    assert stage.watched.status.state is WatchState.LIVE
    stage.now += 1.0  # 2.9 s after the last frame
    assert "check that the camera is on" in stage.until(WatchState.SILENT).sentence
    stage.feed(0).put.put(frame(8))
    assert "the picture is back" in stage.until(WatchState.LIVE).sentence
    assert len(stage.feeds) == 1


def test_a_read_that_hangs_is_left_behind_and_replaced(stage: Stage) -> None:
    stage.feed(0).put.put(frame(7))
    stage.until(WatchState.LIVE)
    stage.now += 5.1
    assert "no picture for 5 s; trying again in 0.5 s" in stage.until(WatchState.LOST).sentence
    stage.now += 0.6
    stage.feed(1).put.put(frame(9))
    stage.until(WatchState.LIVE)
    got = stage.watched.latest(0, 5)
    assert got is not None
    assert (got.pts, got.index) == (9, 1)  # indices run on
    stage.feeds[0].put.put(frame(66))  # the old read comes back: nobody listens, and it closes
    wait_for(lambda: stage.feeds[0].closed >= 2)
    assert stage.watched.latest(1, 0.05) is None


def test_retries_back_off_to_eight_seconds_and_never_end(stage: Stage) -> None:
    stage.feed(0).put.put(SourceLost("feed: the connection broke"))
    waits = []
    for number in range(1, 9):
        status = stage.until(WatchState.LOST)
        assert status.retry_in_s is not None
        waits.append(status.retry_in_s)
        stage.now += status.retry_in_s
        stage.feed(number).put.put(SourceLost("feed: the connection broke"))
    assert waits == [0.5, 1, 2, 4, 8, 8, 8, 8]


def test_no_retry_comes_before_its_time(stage: Stage) -> None:
    stage.feed(0).put.put(SourceLost("feed: the connection broke"))
    stage.until(WatchState.LOST)
    stage.now += 0.4
    time.sleep(0.3)
    assert len(stage.feeds) == 1
    stage.now += 0.2
    stage.feed(1)


def test_a_connection_that_held_is_tried_again_soon(stage: Stage) -> None:
    for number, wait_s in enumerate((0.5, 1.0)):
        stage.feed(number).put.put(SourceLost("feed: gone"))
        assert stage.until(WatchState.LOST).retry_in_s == wait_s
        stage.now += wait_s
    stage.feed(2).put.put(frame(1))
    stage.until(WatchState.LIVE)
    for _ in range(4):
        stage.now += 1.5
        count = stage.watched.frames_in
        stage.feeds[2].put.put(frame(1))
        wait_for(lambda before=count: stage.watched.frames_in > before)  # type: ignore[misc]
    stage.feeds[2].put.put(SourceLost("feed: gone"))
    assert stage.until(WatchState.LOST).retry_in_s == 0.5


def test_the_end_of_a_live_source_is_a_lost_connection(stage: Stage) -> None:
    stage.feed(0).put.put(None)
    assert "has ended; trying again" in stage.until(WatchState.LOST).sentence


def test_a_source_that_cannot_be_made_or_opened_is_tried_again() -> None:
    stage = Stage()
    stage.plan = [
        SourceError("camera:0: no camera"),
        Feed(fails_to_open=SourceError("feed: nobody answers")),
        Feed(fails_to_open=RuntimeError("a bug")),
    ]
    with running(stage):
        for sentence in ("camera:0: no camera", "feed: nobody answers", "reading failed (a bug"):
            assert sentence in stage.until(WatchState.LOST).sentence
            stage.now += 8
        stage.feed(2).put.put(frame(3))
        stage.until(WatchState.LIVE)


def test_an_open_that_hangs_is_said_and_replaced() -> None:
    release = threading.Event()

    class Stuck(Feed):
        def open(self) -> None:
            release.wait(10)

    stage = Stage()
    stage.plan = [Stuck()]
    with running(stage):
        stage.feed(0)
        stage.until(WatchState.CONNECTING)
        stage.now += 2.5
        stage.until(WatchState.SILENT)
        stage.now += 10
        stage.until(WatchState.LOST)
        stage.now += 0.5
        stage.feed(1).put.put(frame(1))
        stage.until(WatchState.LIVE)
        release.set()


def test_readers_that_all_hang_do_not_pile_up_without_end() -> None:
    stage = Stage()
    with running(stage):
        for number in range(8):
            stage.feed(number)
            stage.until(WatchState.CONNECTING)
            stage.now += 12
            stage.until(WatchState.LOST)
            stage.now += 8
        assert "unplug the camera" in stage.until(WatchState.LOST).sentence
        assert len(stage.feeds) == 8
        stage.feeds[0].put.put(None)  # one of them comes home
        wait_for(lambda: stage.feeds[0].closed >= 2)
        stage.now += 8
        stage.feed(8)


def test_a_file_ends_and_is_not_tried_again() -> None:
    stage = Stage()
    stage.plan = [Feed(live=False)]
    with running(stage):
        stage.feed(0).put.put(frame(1))
        stage.until(WatchState.LIVE)
        stage.now += 100  # a file may hold a frame for as long as it likes
        time.sleep(0.25)
        assert stage.watched.status.state is WatchState.LIVE
        stage.feeds[0].put.put(None)
        stage.until(WatchState.ENDED)
        assert stage.watched.latest(-1, 5) is not None
        assert stage.watched.latest(0, 5) is None  # at once: none will come
    assert len(stage.feeds) == 1


def test_the_newest_wins_and_the_others_are_counted(stage: Stage) -> None:
    for value in range(5):
        stage.feed(0).put.put(frame(value))
    wait_for(lambda: stage.watched.frames_in == 5)
    got = stage.watched.latest(-1, 1)
    assert got is not None
    assert (got.index, got.pts) == (4, 4)
    assert stage.watched.frames_dropped == 4
    again = stage.watched.latest(-1, 1)
    assert again is got
    assert stage.watched.latest(4, 0.01) is None
    stage.feeds[0].put.put(frame(5))
    wait_for(lambda: stage.watched.frames_in == 6)
    assert stage.watched.frames_dropped == 4


def test_close_does_not_wait_for_a_reader_that_hangs() -> None:
    stage = Stage()
    stage.watched.start()
    feed = stage.feed(0)
    assert feed.opened.wait(5)
    closer = threading.Thread(target=stage.watched.close)
    closer.start()
    closer.join(5)
    assert not closer.is_alive()
    assert feed.closed == 1
    assert stage.watched.status.state is WatchState.CLOSED
    assert stage.watched.latest(-1, 5) is None
    feed.put.put(None)


def test_trouble_is_logged_once_and_not_with_each_retry(
    stage: Stage, caplog: pytest.LogCaptureFixture
) -> None:
    with caplog.at_level("WARNING", logger="posewall.capture"):
        for number in range(4):
            stage.feed(number).put.put(SourceLost("feed: the connection broke"))
            stage.until(WatchState.LOST)
            stage.now += 8
        stage.feed(4)
    assert [r.message for r in caplog.records] == [
        "feed: the connection broke; trying again in 0.5 s"
    ]
