"""The terminal of the live program: sentences stay, the status line under them is written anew."""

from __future__ import annotations

import shutil
import sys
import threading
import time
from collections.abc import Callable


class Terminal:
    """Writes to standard error. Threads may share it."""

    EVERY_S = 1.0
    # A log file wants a line now and then, not one a second.
    EVERY_PLAIN_S = 10.0

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._lively = sys.stderr.isatty()
        self._again = time.monotonic() + self.EVERY_S
        self._line = ""

    def say(self, sentence: str) -> None:
        """Write a sentence that stays."""
        with self._lock:
            self._wipe()
            print(sentence, file=sys.stderr, flush=True)

    def status(self, line: Callable[[int | None], str]) -> None:
        """Write the line anew when it is time; it is told how many columns there are."""
        if time.monotonic() < self._again:
            return
        self._again = time.monotonic() + (self.EVERY_S if self._lively else self.EVERY_PLAIN_S)
        # A line that wraps could not be written over.
        columns = shutil.get_terminal_size().columns - 1 if self._lively else None
        # Not under the lock: working it out may find something to say.
        words = line(columns)[:columns]
        with self._lock:
            if self._lively:
                self._wipe()
                self._line = words
            print(words, end="" if self._lively else "\n", file=sys.stderr, flush=True)

    def end(self) -> None:
        """Write no status line any more."""
        with self._lock:
            if self._line:
                print(file=sys.stderr, flush=True)
                self._line = ""

    def _wipe(self) -> None:
        if self._line:
            # ISO/IEC 6429 (ECMA-48): CR, then EL erases to the end of the line
            print("\r\x1b[K", end="", file=sys.stderr)
            self._line = ""
