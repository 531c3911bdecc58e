"""What waits to be written: bounded, so that a slow disk costs a gap and never the picture."""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Sequence
from typing import NamedTuple

from stream.capture.tap import SECOND_US, Piece

MOST_BYTES = 128 << 20
"""chosen: twelve seconds of a camera of 80 Mbit/s; a disk that sleeps for longer has trouble."""


class Gap(NamedTuple):
    """Pictures that did not fit.

    Attributes:
        at_us: when the first of them would have been shown.
        length_us: until the next one that is there.
    """

    at_us: int
    length_us: int


def missing_words(gaps: Sequence[Gap], zero_us: int | None, end_us: int | None = None) -> str:
    """What a take tells of pictures that were left out; empty where none was.

    Args:
        gaps: those, in their order.
        zero_us: the take's instant 0 on their line; None for the first of them.
        end_us: what is shown later does not count; None where all does.
    """
    ends = [g.at_us + g.length_us for g in gaps]
    if end_us is not None:
        ends = [min(end, end_us) for end in ends]
    found = [(g.at_us, end) for g, end in zip(gaps, ends, strict=True) if end > g.at_us]
    if not found:
        return ""
    missing_s = sum(end - at for at, end in found) / SECOND_US
    zero_us = found[0][0] if zero_us is None else zero_us
    first_s = (found[0][0] - zero_us) / SECOND_US
    return (
        f"{missing_s:.1f} s of picture are missing in it, from {first_s:.1f} s on: this "
        "computer or its disk was too slow"
    )


class Backlog:
    """Pieces between the thread that reads the source and the one that writes.

    Attributes:
        ended: why nothing more will come; a sentence, or None.
        gaps: pictures that were left out.
    """

    def __init__(self, most_bytes: int = MOST_BYTES) -> None:
        self._most = most_bytes
        self._waiting: deque[Piece] = deque()
        self._bytes = self._pictures = 0
        self._there = threading.Condition()
        self._gap_from: int | None = None
        self.ended: str | None = None
        self.gaps: list[Gap] = []

    @property
    def bytes(self) -> int:
        """What waits."""
        return self._bytes

    @property
    def over(self) -> bool:
        """Whether it has ended and no picture waits any more; sound may still come."""
        return self.ended is not None and not self._pictures

    def put(self, piece: Piece) -> None:
        """Add one; never waits. What does not fit is left out, up to the next key frame.

        A picture that comes after the end is of something else, and is left out, too.
        """
        with self._there:
            if self.ended is not None and not piece.sound:
                return
            full = self._bytes + piece.size > self._most
            if piece.sound:
                # Sound is small, and a gap in it is heard: it may fill a little more.
                if self._bytes + piece.size > self._most + self._most // 8:
                    return
            elif full or (self._gap_from is not None and not piece.key):
                if self._gap_from is None:
                    self._gap_from = piece.at_us
                return
            elif self._gap_from is not None:
                self.gaps.append(Gap(self._gap_from, max(0, piece.at_us - self._gap_from)))
                self._gap_from = None
            self._waiting.append(piece)
            self._bytes += piece.size
            self._pictures += not piece.sound
            self._there.notify()

    def end(self, why: str) -> None:
        """No picture comes any more, for this reason; what waits is still written."""
        with self._there:
            if self.ended is None:
                self.ended = why
            self._there.notify()

    def get(self, timeout_s: float) -> Piece | None:
        """The next one; None where none came in time."""
        with self._there:
            self._there.wait_for(lambda: self._waiting or self.ended is not None, timeout_s)
            if not self._waiting:
                return None
            piece = self._waiting.popleft()
            self._bytes -= piece.size
            self._pictures -= not piece.sound
            return piece

    def first_key(self) -> Piece | None:
        """The first piece that decoding can begin with, where it is there already."""
        with self._there:
            return next((p for p in self._waiting if p.key and not p.sound), None)

    def close(self) -> None:
        """Forget what waits, and take no more."""
        with self._there:
            self._most = -SECOND_US
            self._waiting.clear()
            self._bytes = self._pictures = 0
