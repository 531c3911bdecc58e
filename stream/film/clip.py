"""The frames of a clip by the film's time: read in order, one ahead of what is shown."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterator
from pathlib import Path

import av

from stream.capture.errors import SourceError
from stream.errors import UserError
from stream.template.clip_file import ClipFacts, ClipFile, ClipFrame, clip_frame

# Times are sums of floats; a frame that begins within a microsecond has begun.
_EPSILON_S = 1e-6


def frame_at(facts: ClipFacts, at_s: float, ends: str) -> int | None:
    """The number of the frame that a clip shows at one of its seconds.

    Args:
        facts: of the clip.
        at_s: seconds since it began; before that its first frame stands.
        ends: "loop", "hold" the last frame, or "stop": nothing after the end.

    Returns:
        None where it is over.
    """
    if at_s >= facts.length_s - _EPSILON_S:
        if ends == "stop":
            return None
        if ends == "hold":
            return len(facts.times_s) - 1
        at_s = (at_s + _EPSILON_S) % facts.length_s
    return max(bisect_right(facts.times_s, at_s + _EPSILON_S) - 1, 0)


class ClipReader:
    """Reads the frames of one clip; going back opens it again."""

    def __init__(self, path: Path, name: str, facts: ClipFacts) -> None:
        """Prepare; nothing is opened yet.

        Args:
            path: the file.
            name: as the template calls it.
            facts: of the clip.
        """
        self._path, self._name, self._facts = path, name, facts
        self._file: ClipFile | None = None
        self._frames: Iterator[av.VideoFrame] = iter(())
        self._first: int | None = None
        self._held: tuple[int, av.VideoFrame] | None = None
        self._ahead: tuple[int, av.VideoFrame] | None = None
        self._made: tuple[int, ClipFrame] | None = None

    def close(self) -> None:
        """Let go of the file."""
        if self._file is not None:
            self._file.close()
        self._file = self._held = self._ahead = None

    def _begin(self) -> None:
        self.close()
        self._file = ClipFile(self._path, self._name)
        self._frames = self._file.frames()
        self._first = None

    def _next(self) -> tuple[int, av.VideoFrame] | None:
        """The next decoded frame, by its place among the clip's times."""
        for frame in self._frames:
            if frame.pts is None or self._file is None:
                continue
            if self._first is None:
                self._first = frame.pts
            second = self._file.second(frame.pts, self._first)
            return max(bisect_right(self._facts.times_s, second + _EPSILON_S) - 1, 0), frame
        return None

    def frame(self, number: int) -> ClipFrame:
        """One frame; where the clip lost it, the one before.

        Args:
            number: as `frame_at` gives it.

        Raises:
            UserError: the clip cannot be read any more.
        """
        if self._held is None or number < self._held[0]:
            self._begin()
            self._held = self._next()
            if self._held is None:
                raise UserError(f'the clip "{self._name}" holds no picture that can be read')
            self._ahead = self._next()
        while self._ahead is not None and self._ahead[0] <= number:
            self._held, self._ahead = self._ahead, self._next()
        shown, frame = self._held
        if self._made is None or self._made[0] != shown:
            try:
                made, _ = clip_frame(frame, "" if self._file is None else self._file.codec)
            except SourceError as e:
                raise UserError(f'the clip "{self._name}": {e}') from e
            self._made = shown, made
        return self._made[1]
