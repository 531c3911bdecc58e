"""What the loop measures of itself: rates, delays, stages, and the line that says so."""

from __future__ import annotations

import threading
import time
from collections import deque
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

from stream.live.record import Record

Clock = Callable[[], float]

# capture: processor time of reading and decoding; key: planes to the device, matte, colour, the
# subject at its place between the template's layers; download: the picture's way back from the
# device, with the wait for it; jpeg; send: handing it to a page's socket.
STAGES = ("capture", "key", "download", "jpeg", "send")

# chosen: a mirrored self-view above 125 ms no longer feels like one's own body in the studies
# known to us (figure from memory, no standard fixes it); a frame later than this counts as late.
LATE_S = 0.125
WINDOW_S = 5.0


def percentile(values: list[float], share: float) -> float:
    """The nearest-rank percentile: the smallest value that ``share`` of all do not exceed.

    Args:
        values: any order; empty gives 0.
        share: in (0, 1].
    """
    if not values:
        return 0.0
    ordered = sorted(values)
    rank = -int(-share * len(ordered) // 1)  # ceiling
    return ordered[min(max(rank, 1), len(ordered)) - 1]


class Window:
    """Numbers of the last seconds, each with the moment that it came."""

    def __init__(self, clock: Clock = time.monotonic, window_s: float = WINDOW_S) -> None:
        self._clock = clock
        self._window_s = window_s
        self._born = clock()
        self._lock = threading.Lock()
        self._items: deque[tuple[float, float]] = deque()

    def add(self, value: float = 0.0) -> None:
        """Note a value now."""
        now = self._clock()
        with self._lock:
            self._items.append((now, value))
            self._forget(now)

    def _forget(self, now: float) -> None:
        while self._items and now - self._items[0][0] > self._window_s:
            self._items.popleft()

    def values(self) -> list[float]:
        """The values of the window, oldest first."""
        with self._lock:
            self._forget(self._clock())
            return [v for _, v in self._items]

    def rate(self) -> float:
        """Items a second over the window, or over the time since the start while that is less."""
        now = self._clock()
        span = min(self._window_s, now - self._born)
        return len(self.values()) / span if span > 0 else 0.0


class Stages:
    """Seconds that each stage of the loop took, recent and in all; any thread may note."""

    def __init__(self, clock: Clock = time.monotonic) -> None:
        self._clock = clock
        self._recent = {name: Window(clock) for name in STAGES}
        self._lock = threading.Lock()
        self._total = dict.fromkeys(STAGES, 0.0)
        self._count = dict.fromkeys(STAGES, 0)

    def note(self, stage: str, seconds: float) -> None:
        """Record one pass of a stage; ``stage`` is one of `STAGES`."""
        self._recent[stage].add(seconds)
        with self._lock:
            self._total[stage] += seconds
            self._count[stage] += 1

    @contextmanager
    def timed(self, stage: str) -> Iterator[None]:
        """Record how long the block took, unless it raised."""
        start = self._clock()
        yield
        self.note(stage, self._clock() - start)

    def median_ms(self) -> dict[str, float]:
        """Median of the last seconds of each stage, milliseconds."""
        return {n: 1e3 * percentile(w.values(), 0.5) for n, w in self._recent.items()}

    def mean_ms(self) -> dict[str, float]:
        """Mean over the whole run, milliseconds a pass."""
        with self._lock:
            return {
                n: 1e3 * self._total[n] / self._count[n] if self._count[n] else 0.0 for n in STAGES
            }

    def counts(self) -> dict[str, int]:
        """Passes of each stage over the whole run."""
        with self._lock:
            return dict(self._count)


@dataclass(frozen=True)
class Figures:
    """One reading of the loop, for people and pages.

    Rates and what ends in ``_ms`` without more are of the last seconds; what begins
    with ``lasting`` is of the last minutes (`Record`). ``delay`` and ``lasting`` delays run from a
    frame's arrival to its composite, before it is encoded and sent; ``shown`` to when a page said
    that it had drawn it. ``lasting_gap_ms`` is the longest time between two composites, or that the
    program stood still, without what it waited for the camera. ``passed_encoder`` of ``dropped``
    were composited, but not encoded in time.
    """

    fps_in: float
    fps_out: float
    delay_p50_ms: float
    delay_p99_ms: float
    lasting_p50_ms: float
    lasting_p99_ms: float
    lasting_p999_ms: float
    lasting_gap_ms: float
    shown_p50_ms: float
    shown_p99_ms: float
    frames_in: int
    frames_out: int
    dropped: int
    passed_encoder: int
    late: int
    errors: int
    device: str

    def plain(self) -> dict[str, Any]:
        """For the pages, as JSON values."""
        return {
            "fps_in": self.fps_in,
            "fps_out": self.fps_out,
            "delay_ms": [self.delay_p50_ms, self.delay_p99_ms],
            "lasting_ms": [self.lasting_p50_ms, self.lasting_p99_ms, self.lasting_p999_ms],
            "gap_ms": self.lasting_gap_ms,
            "shown_ms": [self.shown_p50_ms, self.shown_p99_ms],
            "dropped": self.dropped,
            "passed_encoder": self.passed_encoder,
            "late": self.late,
            "errors": self.errors,
            "device": self.device,
        }

    def line(self, columns: int | None = None) -> str:
        """The status line, one row of a terminal.

        Args:
            columns: room for it; what is least needed is left out until it fits. None: all of it.
        """
        # How soon a part is left out, and the part.
        parts = [
            (0, f"in {self.fps_in:.1f} fps, out {self.fps_out:.1f} fps"),
            (0, f"usual delay {self.lasting_p50_ms:.0f} ms"),
            (1, f"1 in 100 over {self.lasting_p99_ms:.0f} ms"),
            (2, f"longest pause {self.lasting_gap_ms:.0f} ms"),
            (3, f"passed over {self.dropped}, late {self.late}"),
            (4, self.device),
        ]
        if self.shown_p99_ms:
            parts.insert(4, (5, f"on the page after {self.shown_p50_ms:.0f} ms"))
        if self.errors:
            parts.insert(-1, (0, f"errors {self.errors}"))
        while True:
            line = " | ".join(text for _, text in parts)
            worst = max(rank for rank, _ in parts)
            if columns is None or len(line) <= columns or worst == 0:
                return line
            parts = [p for p in parts if p[0] < worst]


class Meter:
    """Counts frames through the loop; every method may be called from any thread."""

    def __init__(self, clock: Clock = time.monotonic, device: str = "cpu") -> None:
        self._clock = clock
        self.device = device
        self.stages = Stages(clock)
        self._lock = threading.Lock()
        self._in = Window(clock)
        self._out = Window(clock)
        self._delays = Window(clock)
        self._shown = Window(clock)
        self._lasting = Record(clock)
        self._gaps = Record(clock)
        self._since_s: float | None = None
        self._idle_s = self._source_s = 0.0
        self._frames_in = 0
        self._frames_out = 0
        self._late = 0
        self._dropped = self._passed_encoder = 0
        self._errors = 0

    def arrived(self) -> None:
        """A frame came from the source."""
        self._in.add()
        with self._lock:
            self._frames_in += 1

    def dropped(self, count: int) -> None:
        """Frames that a newer one replaced before they were keyed or encoded."""
        with self._lock:
            self._dropped += count

    def passed_encoder(self, count: int) -> None:
        """Frames that were composited, and that a newer one replaced before they were encoded."""
        self.dropped(count)
        with self._lock:
            self._passed_encoder += count

    def missed(self, count: int) -> None:
        """Frames that came, and that a newer one replaced before the loop took them in."""
        for _ in range(count):
            self.arrived()
        self.dropped(count)

    def failed(self) -> None:
        """A step of the loop raised and was passed over."""
        with self._lock:
            self._errors += 1

    def composited(self, arrived_s: float, source_s: float | None = None) -> None:
        """The composite of a frame is made; one thread's.

        Args:
            arrived_s: when the frame arrived.
            source_s: how long the source was waited for in all until this frame. Of the idle time
                since the composite before (`waited`), what goes beyond is the program's own: the
                station that reads stood still or worked. None: all of it was the camera's.
        """
        now = self._clock()
        self._delays.add(now - arrived_s)
        self._lasting.add(now - arrived_s)
        if self._since_s is not None:
            own_s = 0.0
            if source_s is not None:
                own_s = max(0.0, self._idle_s - max(0.0, source_s - self._source_s))
            self._gaps.add(now - self._since_s + own_s)
        self._since_s, self._idle_s, self._source_s = now, 0.0, source_s or 0.0

    def waited(self, meant_s: float) -> None:
        """No frame came in ``meant_s`` seconds of waiting for one; of the thread that composites.

        So much of a gap is taken for the camera's, until the next frame tells better. What the wait
        took longer is the program's own: then it stood still, and nobody can tell when the frames
        of that time would have arrived.
        """
        now = self._clock()
        if self._since_s is not None:
            self._gaps.add(max(0.0, now - self._since_s - meant_s))
            self._idle_s += meant_s
        self._since_s = now

    def ready(self, arrived_s: float) -> None:
        """The picture of a frame that arrived at ``arrived_s`` is ready for the pages."""
        self._out.add()
        delay = self._clock() - arrived_s
        with self._lock:
            self._frames_out += 1
            self._late += delay > LATE_S

    def shown(self, arrived_s: float) -> None:
        """A page said that it has drawn the frame that arrived at ``arrived_s``."""
        self._shown.add(self._clock() - arrived_s)

    def read(self) -> Figures:
        """The figures as they stand."""
        delays, shown = self._delays.values(), self._shown.values()
        p50, p99, p999 = self._lasting.percentiles(0.5, 0.99, 0.999)
        gap = self._gaps.longest
        with self._lock:
            return Figures(
                fps_in=self._in.rate(),
                fps_out=self._out.rate(),
                delay_p50_ms=1e3 * percentile(delays, 0.5),
                delay_p99_ms=1e3 * percentile(delays, 0.99),
                lasting_p50_ms=1e3 * p50,
                lasting_p99_ms=1e3 * p99,
                lasting_p999_ms=1e3 * p999,
                lasting_gap_ms=1e3 * gap,
                shown_p50_ms=1e3 * percentile(shown, 0.5),
                shown_p99_ms=1e3 * percentile(shown, 0.99),
                frames_in=self._frames_in,
                frames_out=self._frames_out,
                dropped=self._dropped,
                passed_encoder=self._passed_encoder,
                late=self._late,
                errors=self._errors,
                device=self.device,
            )
