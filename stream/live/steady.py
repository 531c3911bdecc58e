"""The one place where the live loop catches what it did not foresee, logs it and goes on."""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable

from models.errors import PosewallError

log = logging.getLogger("posewall.live")

# chosen: a step that fails on every frame fills the log once in this time, not 30 times a second.
LOG_AGAIN_S = 5.0
LONGEST_PAUSE_S = 0.5
DOING = {
    "capture": "reading the camera",
    "key": "keying a frame",
    "show": "sending the picture to the pages",
    "tend": "looking after shots and pages",
    "scene": "drawing the design",
}
"""What the stations do, for people."""


class Steady:
    """Runs a step over and over until told to stop; a step that raises costs one turn.

    Args:
        name: of the station, for the log and the thread.
        step: one turn; returns False when the work is over.
        stop: set from outside to end.
        on_error: told the sentence of each failure.
        context: what stands in the log beside the error, such as the frame at hand.
    """

    def __init__(
        self,
        name: str,
        step: Callable[[], bool],
        stop: threading.Event,
        on_error: Callable[[str], None],
        context: Callable[[], str] = lambda: "",
    ) -> None:
        self._name, self._doing = name, DOING.get(name, name)
        self._step = step
        self._stop = stop
        self._on_error = on_error
        self._context = context
        self._thread = threading.Thread(target=self._run, name=name, daemon=True)

    def start(self) -> None:
        """Begin, on a thread of its own."""
        self._thread.start()

    def join(self, timeout_s: float) -> bool:
        """Wait for the end; True when it came."""
        if self._thread.is_alive():
            self._thread.join(timeout_s)
        return not self._thread.is_alive()

    def _run(self) -> None:
        failures = 0
        quiet_until = 0.0
        while not self._stop.is_set():
            try:
                if not self._step():
                    return
                failures = 0
            except Exception as error:
                failures += 1
                if time.monotonic() >= quiet_until:
                    quiet_until = time.monotonic() + LOG_AGAIN_S
                    # A sentence for people says what it is about; anything else needs its trace.
                    foreseen = isinstance(error, PosewallError)
                    log.error(
                        "%s: %s (%d in a row) %s",
                        self._name,
                        error if foreseen else "went on after an error",
                        failures,
                        self._context(),
                        exc_info=None if foreseen else error,
                    )
                self._on_error(
                    str(error)
                    if isinstance(error, PosewallError)
                    else f"The program made a mistake while {self._doing} and goes on; the event's "
                    "log says what went wrong."
                )
                self._stop.wait(min(LONGEST_PAUSE_S, 0.02 * failures))
