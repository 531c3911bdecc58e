"""The watched source as the loop and the pages see it."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from typing import Any

from stream.capture.frame import Frame
from stream.capture.source import Source, open_source
from stream.capture.tap import Tap
from stream.capture.watch import Watched, WatchState, WatchStatus
from stream.live.figures import Clock, Meter

WAIT_S = 0.25

# What the pages tell apart; the sentence beside it says the rest.
PAGE_STATE = {
    WatchState.CONNECTING: "starting",
    WatchState.LIVE: "live",
    WatchState.SILENT: "silent",
    WatchState.LOST: "lost",
    WatchState.ENDED: "ended",
    WatchState.CLOSED: "ended",
}


class TimedSource:
    """A source whose reading is timed.

    What is noted is the processor time of the reading thread: the wait for the next frame of a
    camera costs nothing and says nothing.
    """

    def __init__(self, source: Source, note: Callable[[float], None]) -> None:
        self._source = source
        self._note = note
        self.name = source.name
        self.live = source.live

    def open(self) -> None:
        """Open the source."""
        self._source.open()
        self.name = self._source.name

    def read(self) -> Frame | None:
        """The next frame."""
        start = time.thread_time()
        frame = self._source.read()
        self._note(time.thread_time() - start)
        return frame

    def close(self) -> None:
        """Close the source."""
        self._source.close()


class Intake:
    """Reads the newest frame of a source that is watched.

    Args:
        address: what the user gave as the source.
        turn: degrees clockwise that make the picture upright; None believes the source.
        once: a file ends the program when it has been played; otherwise it begins again.
        device: where frames are keyed; a card decodes them, too, where it can.
        meter: counts frames that a newer one replaced before they were read.
        say: takes a sentence for the user.
        clock: the one that frames arrive by, seconds.

    Raises:
        SourceError: an address that means nothing.
    """

    def __init__(
        self,
        address: str,
        turn: int | None,
        *,
        once: bool,
        device: str = "cpu",
        meter: Meter,
        say: Callable[[str], None],
        tap: Tap | None = None,
        clock: Clock = time.monotonic,
    ) -> None:
        turns = None if turn is None else turn // 90

        def make() -> Source:
            source = open_source(
                address, quarter_turns=turns, loop=not once, say=say, device=device, tap=tap
            )
            return TimedSource(source, self._worked)

        first = make()  # nothing is opened by it, but a wrong address is refused now
        self.live = first.live
        self._once = once
        self._meter = meter
        self._watched = Watched(make, name=first.name, on_change=self._changed)
        self._index = -1
        self._dropped = 0
        self._lost = False
        self._clock = clock
        self._lock = threading.Lock()
        self._waited_s = 0.0

    def _worked(self, seconds: float) -> None:
        self._meter.stages.note("capture", seconds)
        with self._lock:
            self._waited_s -= seconds

    @property
    def waited_s(self) -> float:
        """How long the source was waited for in all, seconds; differences of it count.

        Neither the processor time of decoding is in it, nor what a frame that was there waited for
        the thread that takes it in.
        """
        with self._lock:
            return self._waited_s

    def open(self) -> None:
        """Begin to connect; returns at once."""
        self._watched.start()

    def close(self) -> None:
        """Let go of the source."""
        self._watched.close()

    def read(self) -> Frame | None:
        """The newest frame, each once; None when none came in a quarter of a second."""
        began_s = self._clock()
        frame = self._watched.latest(self._index, WAIT_S)
        if frame is None:
            waited_s = self._clock() - began_s
        else:
            # Where several came, this thread stood still: only the first of them was waited for.
            waited_s = (frame.arrived_s - began_s) / max(1, frame.index - self._index)
        with self._lock:
            self._waited_s += max(0.0, waited_s)
        dropped = self._watched.frames_dropped
        if dropped > self._dropped:
            self._meter.missed(dropped - self._dropped)
            self._dropped = dropped
        if frame is not None:
            self._index = frame.index
        return frame

    @property
    def over(self) -> bool:
        """True when a file has been played, or could not be."""
        return self._watched.status.state in (WatchState.ENDED, WatchState.CLOSED)

    @property
    def failure(self) -> str | None:
        """Why nothing at all came of a file; None while there is no such trouble."""
        status = self._watched.status
        if status.state is WatchState.ENDED and self._watched.frames_in == 0:
            return status.sentence
        return None

    def _changed(self, status: WatchStatus) -> None:
        if status.state is WatchState.LOST:
            self._lost = True
        elif status.state is WatchState.LIVE:
            self._lost = False

    def state(self) -> dict[str, Any]:
        """For the pages: ``state`` and a sentence.

        A source that is connected anew stays "lost" until a picture comes: nothing is better yet.
        """
        status = self._watched.status
        again = self._lost and status.state is WatchState.CONNECTING
        state = "lost" if again else PAGE_STATE[status.state]
        return {
            "state": state,
            "sentence": f"{status.sentence} again" if again else status.sentence,
        }
