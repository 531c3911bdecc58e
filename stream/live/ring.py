"""The last seconds of the source, whole frames, within a memory budget."""

from __future__ import annotations

import threading
from collections import deque

from stream.capture.frame import Frame

# chosen: 256 MiB keeps 6 s of 1280x720 4:2:0 at 30 fps (1.38 MB a frame), 2.8 s of 1920x1080 and
# .7 s of 3840x2160; a press reaches back by the start of a command, some tenths of a second, and
# holds its frame from then on.
BUDGET_BYTES = 256 << 20
LONGEST_S = 6.0


def frame_bytes(frame: Frame) -> int:
    """Memory that the frame's planes hold, in bytes."""
    return sum(p.numel() * p.element_size() for p in frame.planes)


class Ring:
    """Recent frames, oldest first; the oldest go when bytes or seconds run over.

    The newest frame always stays, even when it alone is over the budget: a grab must find it.
    """

    def __init__(self, budget_bytes: int = BUDGET_BYTES, longest_s: float = LONGEST_S) -> None:
        self._budget = budget_bytes
        self._longest_s = longest_s
        self._frames: deque[tuple[Frame, int]] = deque()
        self._bytes = 0
        self._grew = threading.Condition()

    def __len__(self) -> int:
        return len(self._frames)

    @property
    def held_bytes(self) -> int:
        """Memory held now, in bytes."""
        return self._bytes

    @property
    def span_s(self) -> float:
        """Seconds between the oldest and the newest frame."""
        with self._grew:
            if not self._frames:
                return 0.0
            return self._frames[-1][0].arrived_s - self._frames[0][0].arrived_s

    def add(self, frame: Frame) -> None:
        """Keep a frame; its memory is held, not copied."""
        size = frame_bytes(frame)
        with self._grew:
            self._frames.append((frame, size))
            self._bytes += size
            while len(self._frames) > 1 and (
                self._bytes > self._budget
                or frame.arrived_s - self._frames[0][0].arrived_s > self._longest_s
            ):
                self._bytes -= self._frames.popleft()[1]
            self._grew.notify_all()

    def clear(self) -> None:
        """Forget every frame: what comes next is of another source."""
        with self._grew:
            self._frames.clear()
            self._bytes = 0

    def nearest(self, moment_s: float, wait_s: float = 0.0) -> Frame | None:
        """The frame that arrived nearest to a moment.

        Args:
            moment_s: monotonic clock, seconds.
            wait_s: how long to wait for a frame at or after the moment, so that the one just
                before it is not taken only because the one just after has yet to arrive.

        Returns:
            The frame, the earlier of two equally near; None while there is none.
        """

        def reached() -> bool:
            return bool(self._frames) and self._frames[-1][0].arrived_s >= moment_s

        with self._grew:
            if wait_s > 0:
                self._grew.wait_for(reached, wait_s)
            if not self._frames:
                return None
            return min((f for f, _ in self._frames), key=lambda f: abs(f.arrived_s - moment_s))

    def between(self, from_s: float, to_s: float) -> list[Frame]:
        """The frames that arrived in a stretch of time, in order.

        Args:
            from_s, to_s: monotonic clock, seconds; both inclusive.
        """
        with self._grew:
            return [f for f, _ in self._frames if from_s <= f.arrived_s <= to_s]
