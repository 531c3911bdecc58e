"""The draws of one seed, and what is drawn: kinds of subjects, colours, metals."""

from __future__ import annotations

import colorsys
from collections.abc import Mapping
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

T = TypeVar("T")
Array = NDArray[np.float64]
Color = tuple[float, float, float]
"""Linear Rec.709 reflectance, each from 0 to 1."""
Range = tuple[float, float]

# How often a subject is of each kind, relatively. Networks see too little of what mirrors the
# screen or lets some of it through: the known failures of those in models/weights are mirroring
# cloth, flat sheer sheets, glass and polished metal, so these come first. The others are there to
# keep what goes well.
KINDS = {
    "mirror": 34, "metal": 16, "veil": 24, "lace": 4, "net": 5, "glass": 12, "wheel": 6,
    "racket": 3, "fan": 3, "feather": 3, "hat": 3, "ball": 2, "stick": 3, "tutu": 5, "fringe": 2,
}  # fmt: skip
# Of subjects, those of two kinds at once.
TWO_KINDS = 0.5
# Kinds that a hand holds up.
HELD = frozenset({"glass", "racket", "fan", "feather", "stick"})

WHOLE: Range = (0, 1)
# Up to which draw from 0 to 1 a colour has which hue, saturation and value. Hues near the screen's,
# whites and greys come more often than by chance: spill cannot be told from them by hue.
_COLORS: tuple[tuple[float, Range, Range, Range], ...] = (
    (0.10, (0.11, 0.20), (0.5, 0.9), (0.10, 0.35)),  # olive
    (0.17, (0.38, 0.46), (0.15, 0.4), (0.5, 0.75)),  # mint
    (0.24, (0.20, 0.29), (0.5, 0.9), (0.35, 0.7)),  # lime
    (0.34, (0.44, 0.53), (0.4, 0.9), (0.12, 0.5)),  # teal
    (0.48, WHOLE, (0, 0.05), (0.6, 0.82)),  # white
    (0.64, WHOLE, (0, 0.05), (0.05, 0.5)),  # grey
    (0.70, WHOLE, (0, 0.1), (0.01, 0.04)),  # black
    (1.00, WHOLE, (0.2, 0.9), (0.1, 0.75)),  # any
)
_METALS: tuple[Color, ...] = (
    (0.9, 0.9, 0.92),
    (0.93, 0.93, 0.93),
    (0.9, 0.68, 0.32),
    (0.88, 0.55, 0.4),
    (0.35, 0.36, 0.38),
    (0.7, 0.78, 0.85),
)


class Chance:
    """The draws of one seed. Their order decides a subject: a draw more or less makes others.

    Attributes:
        generator: for whole arrays of draws.
    """

    def __init__(self, seed: int) -> None:
        self.generator = np.random.default_rng(seed)

    def between(self, low: float = 0, high: float = 1) -> float:
        """A number, evenly spread."""
        return float(self.generator.uniform(low, high))

    def whole(self, low: int, high: int) -> int:
        """A whole number from ``low`` to below ``high``."""
        return int(self.generator.integers(low, high))

    def one_of(self, *choices: T) -> T:
        """One of some choices, each as often."""
        return choices[self.generator.integers(len(choices))]

    def happens(self, probability: float) -> bool:
        """Whether something of a probability comes about."""
        return bool(self.generator.random() < probability)

    def weighted(self, weights: Mapping[str, float], count: int = 1) -> list[str]:
        """Different names, as often as their weights say."""
        share = np.array(list(weights.values()), float)
        share /= share.sum()
        drawn = self.generator.choice(len(share), count, replace=False, p=share)
        return [list(weights)[i] for i in drawn]

    def hsv(self, hue: Range, saturation: Range, value: Range) -> Color:
        """A colour out of ranges."""
        ranges = hue, saturation, value
        red, green, blue = colorsys.hsv_to_rgb(*(self.between(*x) for x in ranges))
        return float(red), float(green), float(blue)

    def color(self) -> Color:
        """The colour of a thing."""
        draw = self.generator.random()
        _, *ranges = next(x for x in _COLORS if draw < x[0])
        return self.hsv(*ranges)

    def metal(self) -> dict[str, Any]:
        """A metal, as arguments of a material."""
        color = self.one_of(*_METALS)
        return {"color": color, "metal": self.between(0.9, 1), "rough": self.between(0.05, 0.3)}

    def kinds(self) -> list[str]:
        """What a subject shows: one kind or two."""
        return self.weighted(KINDS, 2 if self.happens(TWO_KINDS) else 1)
