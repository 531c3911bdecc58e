"""How fine the live picture is made, by what it costs here and now.

Before frames are passed over the picture gets less: first the matte is refined at a smaller scale,
then the picture itself is smaller; that at once where it is encoding that takes too long, which the
matte has no part in. What decides is the time that frames take against the time
between two frames of the source, both as measured: a median over some seconds, so that a single
slow frame changes nothing. Full quality comes back when there has been room for a while; where that
fails, the next attempt waits longer. Prints are keyed anew and know nothing of this.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, replace
from statistics import median


@dataclass(frozen=True)
class Quality:
    """How much is made of a live picture.

    Attributes:
        fineness: the matte is refined at this share of the size at which the frame is shown.
        preview: the picture has this share of the height that was asked for.
    """

    fineness: float = 1.0
    preview: float = 1.0


FULL = Quality()
# chosen: the cost of keying follows the number of pixels, so that each step saves about a third
# to a half, which is seen less than every other frame left out.
STEPS = (
    FULL,
    Quality(0.75),
    Quality(0.5),
    Quality(0.5, 0.75),
    Quality(0.5, 0.5),
)

SHOWN_STEPS = (FULL, Quality(preview=0.75), Quality(preview=0.5))
"""For a keyer that refines every frame at its full size."""

TIGHT = 0.95
ROOM = TIGHT / 2.25
"""Shares of the source's interval: above the first frames would soon be passed over; below the
second there is room, since the largest step up (half to three quarters each way) costs up to 2.25
times as much."""
LOOK_S = 2.0
"""Frames of so long are looked at, and as long after a step nothing is decided."""
LEAST_FRAMES = 6
UP_AFTER_S = 5.0
LONGEST_UP_S = 320.0
HELD_S = 30.0
"""A step up that has held for so long did not fail: what was slow is over."""
_SILENCE_S = 1.0
"""A longer pause between two frames is no interval of a running source."""


class Pacing:
    """Decides by what it is told after each frame. One thread at a time; it reads no clock."""

    def __init__(self) -> None:
        """Begin at full quality."""
        self._steps: tuple[Quality, ...] = STEPS
        self._gone = [FULL]  # the way down to here
        self._took: deque[tuple[float, float, float]] = deque()
        self._came: deque[tuple[float, float, int]] = deque()
        self._last: tuple[float, int] | None = None
        self._steady_since: float | None = None
        self._room_since: float | None = None
        self._up_after_s = UP_AFTER_S
        self._raised_s: float | None = None

    @property
    def quality(self) -> Quality:
        """What to make now."""
        return self._gone[-1]

    @property
    def interval_s(self) -> float | None:
        """The source's own time between two frames, seconds; None until it is known."""
        frames = sum(count for _, _, count in self._came)
        if frames < LEAST_FRAMES:
            return None
        return sum(gap for _, gap, _ in self._came) / frames

    def arrived(self, at_s: float, index: int) -> None:
        """Note the frame at hand, before it is keyed.

        Args:
            at_s: when it came, any clock that only goes on.
            index: its running number in the source; those passed over count as well.
        """
        last, self._last = self._last, (at_s, index)
        if last is None or index <= last[1] or at_s < last[0]:
            return
        gap, frames = at_s - last[0], index - last[1]
        if gap / frames > _SILENCE_S:
            self._forget()  # nothing before the pause says how it is now
            return
        self._came.append((at_s, gap, frames))
        while len(self._came) > LEAST_FRAMES and at_s - self._came[0][0] > LOOK_S:
            self._came.popleft()

    def took(self, seconds: float, now_s: float, encoding_s: float = 0.0) -> bool:
        """Note what the frame at hand took, and decide.

        Args:
            seconds: from when it was taken in hand to its composite.
            now_s: the same clock as in `arrived`.
            encoding_s: of the last one that was encoded, beside that: the slower of the two counts.

        Returns:
            Whether the quality is another one from now on.
        """
        self._took.append((now_s, seconds, encoding_s))
        while len(self._took) > LEAST_FRAMES and now_s - self._took[0][0] > LOOK_S:
            self._took.popleft()
        if self._steady_since is None:
            self._steady_since = now_s
        interval = self.interval_s
        if (
            interval is None
            or len(self._took) < LEAST_FRAMES
            or now_s - self._steady_since < LOOK_S
        ):
            return False
        share = median(max(keyed, encoded) for _, keyed, encoded in self._took) / interval
        if self._raised_s is not None and now_s - self._raised_s > HELD_S:
            self._raised_s, self._up_after_s = None, UP_AFTER_S
        if share > TIGHT:
            return self._down(now_s)
        if share > ROOM or self.quality == FULL:
            self._room_since = None
            return False
        if self._room_since is None:
            self._room_since = now_s
        return now_s - self._room_since >= self._up_after_s and self._up(now_s)

    def afresh(self, steps: tuple[Quality, ...] = STEPS) -> bool:
        """Full quality again: what the frames took says nothing any more, as with a faster keyer.

        Args:
            steps: those that help from now on, the first of them full quality.

        Returns:
            Whether the quality is another one from now on.
        """
        changed = self.quality != FULL
        self._steps = steps
        self._gone, self._raised_s, self._up_after_s = [FULL], None, UP_AFTER_S
        self._forget()
        return changed

    def _down(self, now_s: float) -> bool:
        less = self._less()
        if less is None:
            self._room_since = None
            return False
        if self._raised_s is not None:
            # The step up failed.
            self._up_after_s = min(2 * self._up_after_s, LONGEST_UP_S)
            self._raised_s = None
        self._gone.append(less)
        self._begin(now_s)
        return True

    def _less(self) -> Quality | None:
        """The first of the steps that helps what is slow; None where all has been done."""
        now = self.quality
        encoder = median(encoded for _, _, encoded in self._took)
        if encoder > median(keyed for _, keyed, _ in self._took):
            found = (min(now.preview, step.preview) for step in self._steps)
            steps = [replace(now, preview=preview) for preview in found]
        else:
            steps = [
                Quality(min(now.fineness, step.fineness), min(now.preview, step.preview))
                for step in self._steps
            ]
        return next((step for step in steps if step != now), None)

    def _up(self, now_s: float) -> bool:
        self._gone.pop()
        self._raised_s = now_s
        self._begin(now_s)
        return True

    def _begin(self, now_s: float) -> None:
        self._took.clear()
        self._steady_since, self._room_since = now_s, None

    def _forget(self) -> None:
        self._took.clear()
        self._came.clear()
        self._steady_since = self._room_since = None


_COARSER = {0.75: "a little coarser", 0.5: "coarser"}
_SHARES = {0.75: "3/4", 0.5: "half"}


def quality_words(quality: Quality) -> str:
    """What an operator is told of it; empty at full quality."""
    parts = []
    if quality.fineness < 1:
        parts.append(f"{_COARSER[quality.fineness]} at hair and edges")
    if quality.preview < 1:
        parts.append(f"shown at {_SHARES[quality.preview]} size")
    return " and ".join(parts)


def quality_sentence(quality: Quality) -> str:
    """The sentence for a change to this quality."""
    words = quality_words(quality)
    if not words:
        return "The picture is as fine and as large as usual again."
    return f"The live picture is {words} to keep up; the finished pictures are not affected."
