"""How far the computer's clock is ahead of a device's, found by when things arrive.

What a device stamps arrives later by its delay and by whatever held it up. The least difference of
a second is the delay nearly alone; the median of these least ones over some seconds follows a
device's clock that runs faster or slower by a little (*common practice*, as in the estimation of
clock skew from one-way delays: Paxson, "On calibrating measurements of packet transit times", 1998,
from memory), and neither one late arrival nor a busy second moves it.
"""

from __future__ import annotations

from collections import deque
from statistics import median

SECOND_US = 1_000_000
# chosen: 50 millionths of drift, usual among sound cards, are followed within 0.4 ms.
_SECONDS = 15
# chosen: above what a busy computer adds to every arrival of a second, and below what is heard.
_STEP_US = 40_000


class ClockOffset:
    """The offset, from pairs of device time and arrival."""

    def __init__(self, offset_us: int = 0) -> None:
        """Begin.

        Args:
            offset_us: what it is taken for until something arrived.
        """
        self._before = offset_us
        self._least: deque[int] = deque(maxlen=_SECONDS)
        self._second: int | None = None
        self._odd = 0

    def add(self, device_us: int, arrived_us: int) -> None:
        """Something that the device stamped with ``device_us`` arrived at ``arrived_us``."""
        offset, second = arrived_us - device_us, arrived_us // SECOND_US
        if second == self._second:
            self._least[-1] = min(self._least[-1], offset)
            return
        self._second = second
        # Two whole seconds without one arrival near the rest: the device's clock made a step.
        late = len(self._least) > 1 and self._least[-1] - self._whole() > _STEP_US
        self._odd = self._odd + 1 if late else 0
        if self._odd >= 2:
            last = self._least[-1]
            self._least.clear()
            self._least.append(last)
            self._odd = 0
        self._least.append(offset)

    def _whole(self) -> int:
        """Of the seconds before the last one."""
        return round(median(list(self._least)[:-1]))

    @property
    def offset_us(self) -> int:
        """What to add to the device's time to have the computer's, microseconds."""
        if not self._least:
            return self._before
        if len(self._least) == 1:
            return self._least[0]
        # The second under way may have had late arrivals only, so that it counts when it is less.
        return min(self._whole(), self._least[-1]) if len(self._least) < 4 else self._whole()
