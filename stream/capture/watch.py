"""A watchdog around a source: the newest frame for whoever asks, and never an end to the event.

Two threads. The reader opens the source and reads it. The watcher looks at the clock, says what is
going on, leaves a reader behind that no longer answers, and begins again, waiting a little longer
each time. A reader that hangs cannot be stopped from outside; it is a daemon thread that closes
its source if its read ever comes back.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from dataclasses import replace

from models.errors import PosewallError
from stream.capture.frame import Frame
from stream.capture.media import Clock, log
from stream.capture.source import Source
from stream.capture.status import (
    FIRST_RETRY_S,
    GIVE_UP_AFTER_S,
    HELD_S,
    LONGEST_RETRY_S,
    OPEN_WITHIN_S,
    SILENT_AFTER_S,
    Attempt,
    WatchState,
    WatchStatus,
)

__all__ = ["WatchState", "WatchStatus", "Watched"]

_TICK_S = 0.1
# chosen: each hung reader keeps its device open; beyond this only the user's hand helps.
_MOST_LEFT_BEHIND = 8


class Watched:
    """The newest frame of a source that is looked after."""

    def __init__(
        self,
        make: Callable[[], Source],
        *,
        name: str = "source",
        on_change: Callable[[WatchStatus], None] | None = None,
        clock: Clock = time.monotonic,
        silent_after_s: float = SILENT_AFTER_S,
        give_up_after_s: float = GIVE_UP_AFTER_S,
        open_within_s: float = OPEN_WITHIN_S,
    ) -> None:
        """Prepare; nothing runs before `start`.

        Args:
            make: gives a fresh source for each attempt, such as ``lambda: open_source(address)``.
            name: for people, until a source has given its own.
            on_change: told of each new status, from the watcher's thread.
            clock: monotonic, seconds.
            silent_after_s: no frame for so long is silence.
            give_up_after_s: silence for so long is a loss.
            open_within_s: no first frame for so long is a loss.
        """
        self._make = make
        self._name = name
        self._on_change = on_change
        self._clock = clock
        self._silent_after_s = silent_after_s
        self._give_up_after_s = give_up_after_s
        self._open_within_s = open_within_s
        self._changed = threading.Condition()
        self._status = WatchStatus(WatchState.CONNECTING, f"{name}: connecting")
        self._attempt: Attempt | None = None
        self._left_behind: list[threading.Thread] = []
        self._retry_at_s: float | None = None
        self._retry_s = FIRST_RETRY_S
        self._trouble = False
        self._said: str | None = None
        self._frame: Frame | None = None
        self._handed = True
        self._count_in = 0
        self._count_dropped = 0
        self._closed = False
        self._watcher: threading.Thread | None = None

    @property
    def status(self) -> WatchStatus:
        """How it stands now."""
        return self._status

    @property
    def frames_in(self) -> int:
        """Frames read so far, over all connections."""
        return self._count_in

    @property
    def frames_dropped(self) -> int:
        """Frames that a newer one replaced before anybody asked."""
        return self._count_dropped

    def start(self) -> Watched:
        """Begin to connect; returns at once, and never raises for a source that is not there."""
        if self._watcher is None:
            self._watcher = threading.Thread(target=self._watch, name="watch", daemon=True)
            self._watcher.start()
        return self

    def __enter__(self) -> Watched:
        return self.start()

    def __exit__(self, *_: object) -> None:
        self.close()

    def latest(self, after_index: int = -1, timeout_s: float = 1.0) -> Frame | None:
        """The newest frame, if it is newer than one that the caller has.

        Args:
            after_index: index of the frame that the caller has; its indices run on through lost
                connections.
            timeout_s: longest wait for a newer one, seconds of wall time.

        Returns:
            The frame; or None when none came in time, or none will come any more.
        """

        def newer() -> bool:
            return self._frame is not None and self._frame.index > after_index

        def over() -> bool:
            return self._status.state in (WatchState.ENDED, WatchState.CLOSED)

        with self._changed:
            self._changed.wait_for(lambda: newer() or over(), timeout_s)
            if not newer():
                return None
            self._handed = True
            return self._frame

    def close(self) -> None:
        """Stop. A reader that hangs is left behind; waits at most a second."""
        with self._changed:
            self._closed = True
            attempt = self._drop()
            self._status = WatchStatus(WatchState.CLOSED, f"{self._name}: closed")
            self._changed.notify_all()
        for thread in (self._watcher, attempt.thread if attempt else None):
            if thread is not None and thread is not threading.current_thread():
                thread.join(0.5)

    # The reader's side.

    def _read(self, attempt: Attempt) -> None:
        try:
            source = self._make()
            with self._changed:
                attempt.source = source
                self._name = source.name
                if attempt.over:
                    return
            try:
                source.open()
                while not attempt.over:
                    frame = source.read()
                    if frame is None:
                        self._report(attempt, f"{source.name}: has ended", ended=not source.live)
                        return
                    self._deliver(attempt, frame)
            finally:
                source.close()
        except PosewallError as e:
            ended = attempt.source is not None and not attempt.source.live
            self._report(attempt, str(e), ended=ended)
        except Exception as e:  # noqa: BLE001 - the one place: nothing a source does ends the event
            log.exception("%s: reading failed", self._name)
            self._report(attempt, f"{self._name}: reading failed ({e}); see the log", ended=False)

    def _deliver(self, attempt: Attempt, frame: Frame) -> None:
        with self._changed:
            if attempt.over:
                return
            now = self._clock()
            attempt.last_frame_s = now
            if attempt.first_frame_s is None:
                attempt.first_frame_s = now
            self._count_dropped += not self._handed
            self._frame = replace(frame, index=self._count_in)
            self._handed = False
            self._count_in += 1
            self._changed.notify_all()

    def _report(self, attempt: Attempt, failure: str, *, ended: bool) -> None:
        with self._changed:
            attempt.failure = failure
            attempt.ended = ended
            self._changed.notify_all()

    # The watcher's side.

    def _watch(self) -> None:
        while True:
            with self._changed:
                self._changed.wait(_TICK_S)
                if self._closed:
                    return
                news = self._step(self._clock())
                if news is not None:
                    self._status = news
                    self._changed.notify_all()
            if news is not None:
                self._say(news)
                if news.state is WatchState.ENDED:
                    return

    def _step(self, now: float) -> WatchStatus | None:
        """Look once; the new status, if it changed. Holds the lock."""
        attempt, state = self._attempt, self._status.state
        if attempt is None:
            if self._retry_at_s is not None and now < self._retry_at_s:
                return None
            return self._begin(now)
        if attempt.failure is not None:
            if attempt.ended:
                return WatchStatus(WatchState.ENDED, attempt.failure)
            return self._lose(attempt.failure, now)
        if attempt.source is not None and not attempt.source.live:
            if attempt.last_frame_s is not None and state is not WatchState.LIVE:
                return WatchStatus(WatchState.LIVE, f"{self._name}: playing")
            return None
        heard_s = attempt.last_frame_s
        quiet_s = now - (attempt.started_s if heard_s is None else heard_s)
        if quiet_s >= (self._open_within_s if heard_s is None else self._give_up_after_s):
            return self._lose(f"{self._name}: no picture for {quiet_s:.0f} s", now)
        if quiet_s >= self._silent_after_s:
            if state is WatchState.SILENT:
                return None
            self._trouble = True
            return WatchStatus(
                WatchState.SILENT,
                f"{self._name}: no picture for {quiet_s:.0f} s; check that the camera is on and "
                "its cable is in",
            )
        if heard_s is not None and state is not WatchState.LIVE:
            back = "the picture is back" if self._trouble else "the picture is there"
            self._trouble = False
            return WatchStatus(WatchState.LIVE, f"{self._name}: {back}")
        return None

    def _begin(self, now: float) -> WatchStatus:
        self._left_behind = [t for t in self._left_behind if t.is_alive()]
        if len(self._left_behind) >= _MOST_LEFT_BEHIND:
            return self._lose(
                f"{self._name}: does not answer at all; unplug the camera and plug it in again", now
            )
        attempt = Attempt(now)
        attempt.thread = threading.Thread(
            target=self._read, args=(attempt,), name="reader", daemon=True
        )
        self._attempt = attempt
        attempt.thread.start()
        return WatchStatus(WatchState.CONNECTING, f"{self._name}: connecting")

    def _lose(self, why: str, now: float) -> WatchStatus:
        attempt = self._drop()
        if attempt is not None and attempt.first_frame_s is not None:
            held_s = (attempt.last_frame_s or 0) - attempt.first_frame_s
            if held_s >= HELD_S:
                self._retry_s = FIRST_RETRY_S
        wait_s = self._retry_s
        self._retry_at_s = now + wait_s
        self._retry_s = min(2 * wait_s, LONGEST_RETRY_S)
        self._trouble = True
        return WatchStatus(WatchState.LOST, f"{why}; trying again in {wait_s:g} s", wait_s)

    def _drop(self) -> Attempt | None:
        attempt, self._attempt = self._attempt, None
        if attempt is not None:
            attempt.over = True
            if attempt.source is not None:
                attempt.source.close()
            if attempt.thread is not None and attempt.thread.is_alive():
                self._left_behind.append(attempt.thread)
        return attempt

    def _say(self, news: WatchStatus) -> None:
        """To the log and to whoever listens; a retry that only repeats itself is not logged."""
        cause = news.sentence.split("; trying again", 1)[0]
        troubled = news.state in (WatchState.SILENT, WatchState.LOST)
        if troubled and cause != self._said:
            log.warning("%s", news.sentence)
            self._said = cause
        elif news.state in (WatchState.LIVE, WatchState.ENDED):
            log.info("%s", news.sentence)
            self._said = None
        else:
            log.debug("%s", news.sentence)
        if self._on_change is not None:
            self._on_change(news)
