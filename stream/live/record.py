"""A record of durations over the last minutes that stays small however long the program runs."""

from __future__ import annotations

import math
import threading
import time
from collections import Counter, deque
from collections.abc import Callable

# chosen: at 30 pictures a second the slowest thousandth of ten minutes are 18 pictures; less would
# say nothing of p99.9, and more would keep telling of a hitch that was long ago.
LASTING_S = 600.0
PARTS = 10
# A bin is a hundredth wider than the one before: fine enough for any figure that is shown.
_STEP_LOG = math.log(1.01)
_LEAST_S = 1e-5


class Record:
    """A histogram of durations, in bins of 1 %, over the last `LASTING_S` seconds.

    It is kept in `PARTS` parts that are forgotten one by one, so that the time it covers varies by
    a part. Each holds some hundred bins at most. Threads may share it.
    """

    def __init__(
        self, clock: Callable[[], float] = time.monotonic, lasting_s: float = LASTING_S
    ) -> None:
        self._clock = clock
        self._part_s = lasting_s / PARTS
        self._lock = threading.Lock()
        self._parts: deque[tuple[float, Counter[int]]] = deque()
        self._longest: deque[float] = deque()

    def add(self, seconds: float) -> None:
        """Note a duration now."""
        now = self._clock()
        with self._lock:
            self._forget(now)
            if not self._parts or now - self._parts[-1][0] >= self._part_s:
                self._parts.append((now, Counter()))
                self._longest.append(0.0)
            self._parts[-1][1][_bin(seconds)] += 1
            self._longest[-1] = max(self._longest[-1], seconds)

    def _forget(self, now: float) -> None:
        while self._parts and now - self._parts[0][0] >= (PARTS + 1) * self._part_s:
            self._parts.popleft()
            self._longest.popleft()

    def percentiles(self, *shares: float) -> list[float]:
        """Nearest-rank percentiles, seconds: at most 1 % above the true ones.

        Args:
            shares: in (0, 1]; an empty record gives 0.
        """
        with self._lock:
            self._forget(self._clock())
            bins: Counter[int] = Counter()
            for _, part in self._parts:
                bins.update(part)
            longest = max(self._longest, default=0.0)
        ordered = sorted(bins.items())
        total = sum(bins.values())
        ranks = [max(1, math.ceil(round(share * total, 6))) for share in shares]
        return (
            [min(_at(ordered, rank), max(longest, _LEAST_S)) for rank in ranks]
            if total
            else [0.0] * len(ranks)
        )

    @property
    def longest(self) -> float:
        """The longest duration, exact, seconds; 0 in an empty record."""
        with self._lock:
            self._forget(self._clock())
            return max(self._longest, default=0.0)

    @property
    def count(self) -> int:
        """How many durations are held."""
        with self._lock:
            self._forget(self._clock())
            return sum(sum(part.values()) for _, part in self._parts)

    @property
    def bins(self) -> int:
        """How many bins are in use: what it takes of memory."""
        with self._lock:
            return sum(len(part) for _, part in self._parts)


def _bin(seconds: float) -> int:
    return math.ceil(math.log(max(seconds, _LEAST_S) / _LEAST_S) / _STEP_LOG)


def _at(ordered: list[tuple[int, int]], rank: int) -> float:
    passed = 0
    for index, count in ordered:
        passed += count
        if passed >= rank:
            return _LEAST_S * math.exp(index * _STEP_LOG)
    return 0.0
