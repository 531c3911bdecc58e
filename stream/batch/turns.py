"""Who works in this process: one at a time, and pictures before films.

A film takes minutes and a picture seconds, so a film lets every waiting picture go first, again
and again. A plain lock would not do: whoever lets go of it and asks again at once mostly gets it
before those who wait for it.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager

# chosen: a picture that another process queued is seen before a frame of a film is over; asking
# the store takes 2 ms.
ASK_S = 0.5
# chosen: far longer than a queued picture takes to be taken up; a store that never hands one out
# must not keep films waiting for ever.
PATIENCE_S = 30.0


class Turns:
    """Hands out the one turn. Threads may share it."""

    def __init__(self) -> None:
        self._changed = threading.Condition()
        self._busy = False
        self._waiting = 0
        self._pictures = 0

    @property
    def waiting(self) -> int:
        """How many pictures of this process wait for their turn."""
        return self._waiting

    @property
    def pictures(self) -> int:
        """Counts up whenever a picture's turn begins or ends."""
        return self._pictures

    @contextmanager
    def picture(self) -> Iterator[None]:
        """A picture's turn: before any film's."""
        with self._changed:
            self._waiting += 1
            try:
                self._changed.wait_for(lambda: not self._busy)
                self._busy = True
            finally:
                self._waiting -= 1
            self._pictures += 1
        try:
            yield
        finally:
            self._pictures += 1
            self.let_go()

    def try_film(self, wait_s: float) -> bool:
        """Take a film's turn where nobody else has it and no picture waits.

        Args:
            wait_s: how long to wait for a change where it cannot be had now. Seconds.
        """
        with self._changed:
            if not self._busy and not self._waiting:
                self._busy = True
                return True
            self._changed.wait(wait_s)
            return False

    def let_go(self) -> None:
        """End the turn."""
        with self._changed:
            self._busy = False
            self._changed.notify_all()


class FilmTurn:
    """A film's turns: it goes on only while no picture waits, here or in the store."""

    def __init__(
        self,
        turns: Turns,
        queued: Callable[[], bool],
        ended: Callable[[], None],
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        """Make one; `begin` waits for the first turn.

        Args:
            turns: of this process.
            queued: whether a picture waits in the store.
            ended: raises where the film is to wait no longer.
            clock: seconds, never going back.
        """
        self._turns = turns
        self._queued = queued
        self._ended = ended
        self._clock = clock
        self._has = False
        self._asked = float("-inf")
        self._said = False
        self._moved = turns.pictures, clock()

    def begin(self) -> None:
        """Wait for the turn.

        Raises:
            BaseException: whatever ``ended`` raises.
        """
        while True:
            self._ended()
            if self._picture_queued():
                time.sleep(ASK_S / 10)
            elif self._turns.try_film(ASK_S / 5):
                self._has = True
                return

    def between(self) -> None:
        """Let the pictures that wait go first; the film's turn goes on when this returns.

        Raises:
            BaseException: whatever ``ended`` raises; the turn is over then.
        """
        if self._turns.waiting or self._picture_queued():
            self.end()
            self.begin()

    def end(self) -> None:
        """The film's turn is over; nothing where it has none."""
        if self._has:
            self._has = False
            self._turns.let_go()

    def _picture_queued(self) -> bool:
        now = self._clock()
        if now - self._asked >= ASK_S:
            before, self._asked, self._said = self._said, now, self._queued()
            if not before or self._turns.pictures != self._moved[0]:
                self._moved = self._turns.pictures, now
        return self._said and now - self._moved[1] < PATIENCE_S
