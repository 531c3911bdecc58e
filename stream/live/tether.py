"""Stills of a tethered camera, matched to presses: one press one still, in order."""

from __future__ import annotations

import logging
import threading
import time
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Protocol

from models.errors import PosewallError
from stream.live.shooting import STILL_WAIT_S
from stream.shot import Shot

log = logging.getLogger("posewall.live")


class Stores(Protocol):
    """What is done with stills; `Shooting` does it."""

    def attach(self, shot_id: str, still: Path) -> Shot:
        """Give a kept shot its still."""

    def still_alone(self, still: Path, people: tuple[str, ...]) -> Shot:
        """Make a shot of a still alone."""

    def without_still(self, shot_id: str) -> Shot:
        """Use the video frame instead."""


@dataclass(frozen=True)
class Awaiting:
    """A press whose still is to come.

    Attributes:
        pressed_s: monotonic clock of the press, seconds.
        people: roster numbers.
        shot_id: the shot kept with the video frame; None when there was no frame to keep.
    """

    pressed_s: float
    people: tuple[str, ...]
    shot_id: str | None


class Tether:
    """Waits for the still of each press. `arrived` and `expire` run on the keeper's thread."""

    def __init__(
        self,
        stores: Stores,
        on_trouble: Callable[[str], None],
        clock: Callable[[], float] = time.monotonic,
        wait_s: float = STILL_WAIT_S,
    ) -> None:
        self._stores = stores
        self._on_trouble = on_trouble
        self._clock = clock
        self._wait_s = wait_s
        self._lock = threading.Lock()
        self._awaiting: deque[Awaiting] = deque()
        self._unpressed: list[Path] = []

    def press(self, awaiting: Awaiting) -> None:
        """The next still belongs to this press, after those pressed before."""
        with self._lock:
            self._awaiting.append(awaiting)

    def state(self) -> dict[str, Any]:
        """How many presses wait for their still, and which stills came without a press."""
        with self._lock:
            return {"waiting": len(self._awaiting), "unpressed": len(self._unpressed)}

    @property
    def unpressed(self) -> tuple[Path, ...]:
        """Stills that came without a press; they stay where the camera put them."""
        with self._lock:
            return tuple(self._unpressed)

    def arrived(self, still: Path) -> Shot | None:
        """A complete still was delivered; to be told once for each file.

        Returns:
            The shot that it belongs to, or None for a still without a press.
        """
        with self._lock:
            press = self._awaiting.popleft() if self._awaiting else None
            if press is None:
                self._unpressed.append(still)
                log.info("still without a press: %s", still)
                return None
        try:
            if press.shot_id is None:
                return self._stores.still_alone(still, press.people)
            return self._stores.attach(press.shot_id, still)
        except PosewallError as error:
            # The file stays with the camera's others; the shot has its video frame meanwhile.
            self._on_trouble(f"Still {still.name}: {error}")
            if press.shot_id is not None:
                self._stores.without_still(press.shot_id)
            return None

    def expire(self) -> int:
        """Give up presses whose still has not come; how many. To be called now and then."""
        now = self._clock()
        late: list[Awaiting] = []
        with self._lock:
            while self._awaiting and now - self._awaiting[0].pressed_s > self._wait_s:
                late.append(self._awaiting.popleft())
        for press in late:
            what = "nothing was kept for it"
            if press.shot_id is not None:
                self._stores.without_still(press.shot_id)
                what = f"shot {press.shot_id} uses the video picture"
            self._on_trouble(
                f"The camera delivered no still within {self._wait_s:.0f} s of the press; {what}. "
                "Check its cable or card."
            )
        return len(late)
