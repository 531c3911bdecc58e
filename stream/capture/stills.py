"""A folder of stills as a source; the reader of one still; new stills as they arrive."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

from stream.capture.arrivals import Arrivals, natural_key
from stream.capture.container import Say
from stream.capture.errors import SourceError
from stream.capture.frame import Frame
from stream.capture.media import Clock, log
from stream.capture.still_file import (
    OWN_ENDINGS,
    RAW_ADVICE,
    RAW_SUFFIXES,
    STILL_SUFFIXES,
    read_still,
)

__all__ = ["RAW_SUFFIXES", "STILL_SUFFIXES", "Arrivals", "StillsFolder", "read_still"]


def _is_original(name: str) -> bool:
    return not name.startswith(".") and not name.lower().endswith(OWN_ENDINGS)


class StillsFolder:
    """A folder of stills, or a single one, as a source: in the order of their names."""

    live = False

    def __init__(
        self,
        path: Path,
        *,
        quarter_turns: int | None = None,
        paced: bool = True,
        loop: bool = False,
        still_s: float = 2.0,
        say: Say = log.warning,
        clock: Clock = time.monotonic,
        sleep: Callable[[float], object] = time.sleep,
    ) -> None:
        """Prepare; nothing is read yet.

        Args:
            path: the folder, or one file.
            quarter_turns: clockwise turns that make them upright; None takes each one's Exif.
            paced: one still every ``still_s`` seconds; False is as fast as possible.
            loop: begin again at the end.
            still_s: how long each is shown, in seconds.
            say: takes a sentence for the user.
            clock: monotonic, seconds.
            sleep: waits so many seconds.
        """
        self.name = path.name
        self._path = path
        self._turns = quarter_turns
        self._hold_s = still_s if paced else 0.0
        self._loop = loop
        self._say = say
        self._clock = clock
        self._sleep = sleep
        self._files: list[Path] = []
        self._at = 0
        self._index = 0
        self._due_s: float | None = None

    def open(self) -> None:
        """List the stills.

        Raises:
            SourceError: no such folder, or no stills in it.
        """
        if not self._path.exists():
            raise SourceError(f"{self._path}: there is no such file or folder; check the name")
        if self._path.is_file():
            self._files = [self._path]
        else:
            found = [p for p in self._path.iterdir() if _is_original(p.name)]
            self._files = sorted(
                (p for p in found if p.suffix.lower() in STILL_SUFFIXES), key=natural_key
            )
            raw = sum(p.suffix.lower() in RAW_SUFFIXES for p in found)
            if raw:
                self._say(f"{self.name}: {raw} raw or HEIF files are left out; {RAW_ADVICE}")
        if not self._files:
            raise SourceError(f"{self._path}: holds no stills; need JPEG, PNG or TIFF files")
        self._at = 0
        self._index = 0
        self._due_s = None

    def read(self) -> Frame | None:
        """The next still; one that cannot be read is said and passed over. None at the end.

        Raises:
            SourceError: none of the stills can be read.
        """
        failed = 0
        while self._files:
            if self._at >= len(self._files):
                if not self._loop:
                    return None
                self._at = 0
            path = self._files[self._at]
            self._at += 1
            try:
                frame = read_still(
                    path,
                    quarter_turns=self._turns,
                    index=self._index,
                    say=self._say,
                    clock=self._clock,
                )
            except SourceError as e:
                failed += 1
                self._say(str(e))
                if failed == len(self._files):
                    raise SourceError(
                        f"{self._path}: none of its {failed} stills can be read; need whole JPEG, "
                        "PNG or TIFF files"
                    ) from e
                continue
            self._index += 1
            self._wait()
            return replace(frame, arrived_s=self._clock())
        return None

    def _wait(self) -> None:
        now = self._clock()
        if self._due_s is not None and self._due_s > now:
            self._sleep(self._due_s - now)
            now = self._due_s
        self._due_s = now + self._hold_s

    def close(self) -> None:
        """Forget the list."""
        self._files = []
