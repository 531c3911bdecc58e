"""Which constant rate a film gets, and which frame of its take each of its frames shows.

The take's own timestamps decide. A film has its take's rate where that is a usual one (or every
second or fourth of its frames); then its frames are laid on those of the take, so that none is
shown twice or left out, and sound and picture stay as far apart as they were recorded. A take whose
frames come at any time gets a film of 60 frames a second, on which each is shown within a few
milliseconds of its time, but for one that the next follows within a sixtieth: it may fall between
two. Frames that are shown twice cost next to nothing.

Sources: EBU Technical Recommendation R37, "The relative timing of the sound and vision components
of a television signal" (sound may be 5 ms early and 15 ms late after each stage); the rates are
those of ITU-R BT.1700, BT.1847 and SMPTE ST 2036-1.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from fractions import Fraction
from itertools import pairwise, product

USUAL = Fraction(30)
"""*Common practice* for what is made for phones; also where nothing is to be measured."""
RATES = (
    USUAL,
    Fraction(30000, 1001),
    Fraction(25),
    Fraction(24),
    Fraction(24000, 1001),
)
_FASTER = (1, 2, 4, 8)
"""A take of so many times the film's rate shows one of as many frames."""
_SLOWEST = 4
"""A take may have a frame on every fourth line, as a camera has in little light."""
VARIABLE = Fraction(60)
"""Of a film whose take keeps to no rate: two of its frames lie 17 ms apart, less than the 20 ms
that sound and picture may be."""
_MOST_JITTER_S = 0.008
"""chosen: timestamps of one rate lie within this of its grid, whole milliseconds of a container and
a camera's own unsteadiness included; R37 leaves 20 ms."""
_NOTHING_S = 0.002
"""chosen: an offset of sound to picture that is left alone."""
_MIDDLE_S = -0.005
"""The middle of what R37 allows, as the time of the picture after the sound."""


@dataclass(frozen=True)
class Grid:
    """A take's timestamps laid on a grid.

    Attributes:
        rate: frames a second of the film.
        faster: how many frames of the take one of the film stands for.
        phase_s: where the grid's lines lie, on the take's time line, in seconds.
        jitter_s: how far timestamps lie apart from it, all in all.
    """

    rate: Fraction
    faster: int
    phase_s: float
    jitter_s: float

    @property
    def step_s(self) -> float:
        """From one frame of the take to the next."""
        return float(1 / (self.rate * self.faster))

    @property
    def late_s(self) -> float:
        """How long after its own time a frame on one of the film's own lines is shown."""
        return 0.0 if self.faster == 1 else _MIDDLE_S - (self.faster - 1) * self.step_s / 2

    @property
    def ahead_s(self) -> float:
        """A frame of the film shows what is to come within this time: half way between two."""
        return self.step_s / 2 - self.late_s


def _laid(times_s: Sequence[float], rate: Fraction, faster: int) -> Grid:
    """Timestamps laid on a grid, gaps of any number of its steps left out."""
    step = float(1 / (rate * faster))
    at = 0
    apart = [times_s[0]]
    for before, now in pairwise(times_s):
        at += round((now - before) / step)
        apart.append(now - at * step)
    low, high = min(apart), max(apart)
    return Grid(rate, faster, (low + high) / 2, high - low)


def measured(times_s: Sequence[float]) -> Grid | None:
    """The usual rate that timestamps keep to.

    Args:
        times_s: of a take's frames, rising, in seconds.

    Returns:
        None where they keep to none.
    """
    if len(times_s) < 2:
        return None
    gaps = sorted(b - a for a, b in pairwise(times_s))
    usual = gaps[len(gaps) // 2]
    fitting = []
    for faster, rate in product(_FASTER, RATES):
        # A grid much finer than the frames would fit anything; slow ones lie on every second line.
        if 1 <= round(usual * rate * faster) <= (_SLOWEST if faster == 1 else 1):
            grid = _laid(times_s, rate, faster)
            if grid.jitter_s <= min(_MOST_JITTER_S, grid.step_s / 3):
                fitting.append(grid)
    return min(fitting, key=lambda grid: (round(grid.jitter_s, 5), grid.faster), default=None)


@dataclass(frozen=True)
class TimeLine:
    """Which frame of a take each frame of its film shows.

    Attributes:
        rate: frames a second, constant.
        begin_s: where the film's take begins, on the take's time line: what was wanted, moved by
            less than a frame onto the take's own frames. Its sound begins there, too.
        shown: of each frame of the film the number of the take's frame, or None where only a card
            shows.
    """

    rate: Fraction
    begin_s: float
    shown: tuple[int | None, ...]


def time_line(
    times_s: Sequence[float],
    begin_s: float,
    length_s: float,
    take_at: Callable[[float], float | None],
) -> TimeLine:
    """Lay a film on its take.

    Args:
        times_s: of the take's frames, rising, in seconds; at least one.
        begin_s: where on the take's time line the part that is shown begins.
        length_s: of the film.
        take_at: of a second of the film the second of that part; None where only a card shows.
    """
    grid = measured(times_s)
    rate = USUAL if len(times_s) < 2 else VARIABLE if grid is None else grid.rate
    count = max(1, round(length_s * rate))
    wanted = [take_at(float(n / rate)) for n in range(count)]
    first = next((at for at in wanted if at is not None), None)
    begin, ahead = begin_s, float(1 / rate) / 2 - _MIDDLE_S
    if grid is not None and first is not None:
        # The first frame that shows comes to lie on a line of the grid.
        step, ahead = grid.step_s, grid.ahead_s
        off = (grid.phase_s + grid.late_s - first - begin) % step
        begin += off - step if off > step / 2 else off
        if begin < 0:  # the sound has nothing before its own begin
            begin = 0.0 if begin > -_NOTHING_S else begin + step
    shown: list[int | None] = []
    for at in wanted:
        # A microsecond: timestamps are rounded, and this is not to decide by rounding.
        last = None if at is None else bisect_right(times_s, at + begin + ahead + 1e-6) - 1
        shown.append(None if last is None else max(last, 0))
    return TimeLine(rate, begin, tuple(shown))
