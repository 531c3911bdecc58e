"""Keys of the terminal in which the live program runs."""

from __future__ import annotations

import os
import select
import sys
import threading
from collections.abc import Callable
from types import TracebackType
from typing import Any

KEYS = {
    **{" ": "grab", "\n": "grab", "g": "grab"},
    **{"b": "best", "t": "take", "p": "plate", "q": "quit", "\x03": "quit"},
}
HELP = (
    "Keys here: space grabs, b keeps the best of the last seconds, t records a greeting and ends "
    "it, p takes the clean plate, q ends."
)


class TerminalKeys:
    """Reads single keys while the block lasts; gives the terminal back as it was.

    Does nothing where standard input is no terminal.
    """

    def __init__(self, act: Callable[[str], None]) -> None:
        self._act = act
        self._stop = threading.Event()
        self._thread: threading.Thread | None = None
        self._before: list[Any] | None = None

    @property
    def active(self) -> bool:
        """True while keys are read."""
        return self._thread is not None

    def __enter__(self) -> TerminalKeys:
        if not sys.stdin or not sys.stdin.isatty() or os.name == "nt":
            return self
        import termios
        import tty

        fd = sys.stdin.fileno()
        self._before = termios.tcgetattr(fd)
        tty.setcbreak(fd)  # keys come one by one; Ctrl-C still interrupts
        self._thread = threading.Thread(target=self._read, args=(fd,), name="keys", daemon=True)
        self._thread.start()
        return self

    def _read(self, fd: int) -> None:
        while not self._stop.is_set():
            ready, _, _ = select.select([fd], [], [], 0.2)
            if not ready:
                continue
            data = os.read(fd, 64).decode("utf-8", "replace")
            if not data:
                return  # the terminal was closed; the program goes on without it
            for key in data:
                if key in KEYS:
                    self._act(KEYS[key])

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._stop.set()
        if self._thread is not None:
            self._thread.join(timeout=1.0)
            self._thread = None
        if self._before is not None:
            import termios

            termios.tcsetattr(sys.stdin.fileno(), termios.TCSADRAIN, self._before)
