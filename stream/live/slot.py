"""A hand-over between two threads where the newest wins and what was passed over is counted."""

from __future__ import annotations

import threading
from typing import Generic, TypeVar

T = TypeVar("T")


class Slot(Generic[T]):
    """Holds at most one item; a new one replaces one that nobody took.

    A queue would add delay whenever the taker is slower than the giver; a live picture wants the
    newest frame and a count of those that were passed over.
    """

    def __init__(self) -> None:
        self._changed = threading.Condition()
        self._item: T | None = None
        self._closed = False
        self._put = 0
        self._passed_over = 0

    @property
    def put_count(self) -> int:
        """How many items were ever put."""
        return self._put

    @property
    def passed_over(self) -> int:
        """How many items were replaced before anybody took them."""
        return self._passed_over

    @property
    def closed(self) -> bool:
        """True once `close` was called."""
        return self._closed

    def put(self, item: T) -> None:
        """Offer an item; never waits. After `close` it is ignored."""
        with self._changed:
            if self._closed:
                return
            self._put += 1
            if self._item is not None:
                self._passed_over += 1
            self._item = item
            self._changed.notify()

    def take(self, timeout_s: float) -> T | None:
        """The newest item, or None when none came in time or the slot is closed and empty."""
        with self._changed:
            self._changed.wait_for(lambda: self._item is not None or self._closed, timeout_s)
            item, self._item = self._item, None
            return item

    def close(self) -> None:
        """No more items will come; a waiting taker wakes. An item still held can be taken."""
        with self._changed:
            self._closed = True
            self._changed.notify_all()
