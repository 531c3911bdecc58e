"""The newest picture and the newest state, from the loop's threads to the pages' event loop."""

from __future__ import annotations

import asyncio
import json
import threading
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

ON_STAGE = ("pictures", "mirror", "kept", "count_s")
"""What of the state the stage needs. Anybody may look at it: it gets nobody's name."""

TAKE_ON_STAGE = ("state", "count_s", "elapsed_s", "left_s", "most_s")


def for_stage(state: Mapping[str, Any]) -> dict[str, Any]:
    """The part of a state that the stage is told."""
    out = {key: state[key] for key in ON_STAGE if key in state}
    if "source" in state:
        out["source"] = {"state": state["source"]["state"]}
    if "take" in state:
        out["take"] = {key: state["take"].get(key) for key in TAKE_ON_STAGE}
    return out


@dataclass(frozen=True)
class View:
    """One picture as the pages get it.

    Attributes:
        number: running number, from 1.
        jpeg: the encoded picture, sRGB.
        arrived_s: monotonic clock, seconds, at which its frame came from the source.
    """

    number: int
    jpeg: bytes
    arrived_s: float


class Feed:
    """Keeps only the newest of each; wakes whoever watches."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._view: View | None = None
        self._number = 0
        self._said = ""
        self._said_on_stage = ""
        self._said_number = 0
        self._watchers: dict[asyncio.Event, asyncio.AbstractEventLoop] = {}
        self.on_drawn: Callable[[View], None] | None = None
        self.on_sent: Callable[[float], None] | None = None

    @property
    def watchers(self) -> int:
        """Pages connected now."""
        return len(self._watchers)

    @property
    def newest(self) -> View | None:
        """The newest picture, None before the first."""
        return self._view

    @property
    def said(self) -> tuple[int, str]:
        """Number and JSON text of the newest state; number 0 before the first."""
        with self._lock:
            return self._said_number, self._said

    @property
    def said_on_stage(self) -> tuple[int, str]:
        """The same for the stage, which is told less."""
        with self._lock:
            return self._said_number, self._said_on_stage

    def publish(self, jpeg: bytes, arrived_s: float) -> View:
        """Offer a picture to every page; never waits."""
        with self._lock:
            self._number += 1
            view = View(self._number, jpeg, arrived_s)
            self._view = view
        self._wake()
        return view

    def say(self, state: Mapping[str, Any]) -> None:
        """Offer a state to every page; it also tells them that the program is alive."""
        text = json.dumps({"state": state})
        on_stage = json.dumps({"state": for_stage(state)})
        with self._lock:
            self._said_number += 1
            self._said, self._said_on_stage = text, on_stage
        self._wake()

    def _wake(self) -> None:
        with self._lock:
            for event, loop in self._watchers.items():
                # The loop may be closing while the program ends; nobody is left to wake then.
                if not loop.is_closed():
                    loop.call_soon_threadsafe(event.set)

    @contextmanager
    def watch(self) -> Iterator[asyncio.Event]:
        """An event, set whenever something new was offered; for use inside an event loop."""
        event = asyncio.Event()
        event.set()
        with self._lock:
            self._watchers[event] = asyncio.get_running_loop()
        try:
            yield event
        finally:
            with self._lock:
                del self._watchers[event]
