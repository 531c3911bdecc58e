"""Pieces of a film coded beside the keying: a thread that takes planes from a short queue."""

from __future__ import annotations

import os
import queue
import threading
from collections.abc import Iterator, Sequence
from fractions import Fraction
from pathlib import Path

from torch import Tensor

from models.color import Planes
from stream.durable import partial_path, sync_folder
from stream.film.encoder import Coding
from stream.film.encoder import write_piece as write_piece

PIECE_S = 2.0
"""chosen: what is lost at most when a film is broken off; a key frame every two seconds is usual
for what is to be sought in (*common practice*)."""
_WAITING = 4
"""chosen: frames that may wait for the encoder; 3 MB each at 1080p."""


def cut_in_pieces(shown: Sequence[int | None], rate: Fraction) -> list[int]:
    """Where the pieces of a film begin, its end included.

    None begins within a frame of the take that is shown for longer: so every frame of the take is
    keyed once, whether the film is made in one go or not.

    Args:
        shown: of each frame of the film the number of the take's frame, or None.
        rate: frames a second of the film.
    """
    usual = group_of(rate)
    # Of each frame the next number that is one, its own where it has one.
    coming: list[int | None] = [None]
    for at in reversed(shown):
        coming.append(coming[-1] if at is None else at)
    coming.reverse()
    begins, last = [0], None
    for n, at in enumerate(shown):
        if n - begins[-1] >= usual and (last is None or coming[n] != last):
            begins.append(n)
        last = last if at is None else at
    return [*begins, len(shown)]


def group_of(rate: Fraction) -> int:
    """Frames of a usual piece."""
    return max(1, round(PIECE_S * rate))


class PieceEncoder:
    """Codes one piece in a thread of its own; the file appears whole, durable, or not at all."""

    def __init__(
        self, path: Path, coding: Coding, size: tuple[int, int], rate: Fraction, group: int
    ) -> None:
        """Begin.

        Args:
            path: of the file.
            coding, size, rate, group: as in `stream.film.encoder.write_piece`.
        """
        self._path, self._coding, self._size = path, coding, size
        self._rate, self._group = rate, group
        self._waiting: queue.Queue[Planes | None] = queue.Queue(_WAITING)
        self._dropped = threading.Event()
        self._error: BaseException | None = None
        self._thread = threading.Thread(target=self._run, name="posewall-encoder", daemon=True)
        self._thread.start()

    def put(self, planes: Planes) -> None:
        """The next picture; waits while too many wait.

        Raises:
            EncoderError, OSError: what stopped the encoder.
        """
        self._offer(planes)
        self._raise()

    def close(self) -> None:
        """No more pictures; returns at once."""
        self._offer(None)

    @property
    def done(self) -> bool:
        """Whether the file is whole, or the encoder failed."""
        return not self._thread.is_alive()

    def wait(self) -> None:
        """Wait until the file is whole.

        Raises:
            EncoderError, OSError: what kept it from that.
        """
        self._thread.join()
        self._raise()

    def drop(self) -> None:
        """Leave it; nothing of the piece remains."""
        self._dropped.set()
        self._offer(None)
        self._thread.join()

    def _offer(self, planes: Planes | None) -> None:
        while self._thread.is_alive():
            try:
                self._waiting.put(planes, timeout=0.2)
                return
            except queue.Full:
                continue

    def _raise(self) -> None:
        if self._error is not None:
            raise self._error

    def _pictures(self) -> Iterator[Planes | Sequence[Tensor]]:
        while (planes := self._waiting.get()) is not None:
            if self._dropped.is_set():
                return
            yield planes

    def _run(self) -> None:
        partial = partial_path(self._path.parent)
        try:
            write_piece(
                partial, self._coding, self._size, self._rate, self._group, self._pictures()
            )
            if self._dropped.is_set():
                return
            with partial.open("rb+") as file:
                os.fsync(file.fileno())
            partial.replace(self._path)
            sync_folder(self._path.parent)
        except BaseException as e:  # noqa: BLE001 - handed to whoever waits
            self._error = e
        finally:
            partial.unlink(missing_ok=True)
