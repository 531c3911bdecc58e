"""What is good enough: one table. Every limit is common practice, none is a standard's."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum


class Grade(Enum):
    """How a point stands, in the words that are shown."""

    GOOD = "good"
    BETTER = "could be better"
    CHANGE = "change this"

    @property
    def rank(self) -> int:
        """0 for the best."""
        return list(Grade).index(self)


@dataclass(frozen=True)
class Limit:
    """Up to ``good`` nothing need be done, from ``poor`` on it harms prints.

    Attributes:
        good: the largest value that is good.
        poor: the smallest value that has to be changed.
        basis: where the limit comes from.
    """

    good: float
    poor: float
    basis: str = "common practice"

    def grade(self, value: float) -> Grade:
        """How a value stands; values grow toward the bad."""
        if value <= self.good:
            return Grade.GOOD
        return Grade.CHANGE if value >= self.poor else Grade.BETTER


# Middle grey, 18 % of the full scale, lies log2(1 / .18) = 2.47 stops below clipping.
MIDDLE_GREY_STOPS = 2.47

SPREAD_STOPS = Limit(0.5, 1.0)
"""From the darkest to the brightest place; careful work keeps to a third of a stop."""
NAMED_STOPS = 0.25
"""Places nearer to the middle value are not told in words."""
DARK_STOPS = Limit(2.5, 3.5)
"""The screen's channel below clipping: middle grey is good, a stop darker is too dark."""
BRIGHT_STOPS = Limit(-0.5, -0.15)
"""The same the other way round: half a stop of head-room is good."""
CLIPPED_SHARE = Limit(0.002, 0.02)
"""Of the screen."""
PALE = Limit(0.4, 0.6)
"""What saturation lacks to 1."""
NOISE = Limit(0.03, 0.06)
"""Of the screen's colour: single pixels of the bare screen show in the matte above it."""
FOLD_STOPS = Limit(0.12, 0.3)
"""Of wrinkles and seams against the cloth around them."""
SPILL_SHARE = Limit(0.2, 0.35)
"""Of the light on the subject's outline."""
SHADOW_STOPS = Limit(0.25, 0.6)
"""The subject's own shadow on the screen."""
ALIKE_SHARE = Limit(0.08, 0.5)
"""Of the subject that has the screen's own hue."""
LITTLE_SCREEN = 0.1
"""Of the picture: with less to see, the figures stand on little."""
DISTANCE_M = (2, 3)
"""Metres from the person to the screen."""
