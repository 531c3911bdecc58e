"""A count before a grab, one at a time; the stage shows the seconds that are left."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from concurrent.futures import Future
from typing import Any

from stream.errors import UserError
from stream.live.keeping import settle

Answer = dict[str, Any]


class Countdown:
    """Presses when its time has come."""

    def __init__(
        self,
        press: Callable[[float], Future[Answer]],
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self._press = press
        self._clock = clock
        self._lock = threading.Lock()
        self._end_s: float | None = None

    @property
    def left_s(self) -> float | None:
        """Seconds that are left, None while nothing is counted."""
        end_s = self._end_s
        return None if end_s is None else max(0.0, end_s - self._clock())

    def start(self, after_s: float) -> Future[Answer]:
        """Count, then press; the future gets what the press gets.

        Raises:
            UserError: a count is running.
        """
        with self._lock:
            if self._end_s is not None:
                raise UserError("A count is running already.")
            self._end_s = self._clock() + after_s
        answer: Future[Answer] = Future()
        timer = threading.Timer(after_s, self._finish, (answer,))
        timer.daemon = True
        timer.start()
        return answer

    def _finish(self, answer: Future[Answer]) -> None:
        with self._lock:
            self._end_s = None
        try:
            self._press(self._clock()).add_done_callback(lambda done: _pass_on(done, answer))
        except UserError as error:
            settle(answer, None, error)


def _pass_on(done: Future[Answer], answer: Future[Answer]) -> None:
    if done.cancelled():
        settle(answer, None, UserError("The press was taken back before its turn came."))
        return
    error = done.exception()
    settle(answer, None if error else done.result(), error)
