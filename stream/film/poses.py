"""Where the parts of a film begin and end, and how a layer stands at a time.

The smooth way between two keys is 3 u^2 - 2 u^3, the cubic that begins and ends at rest (Hermite's
with both slopes zero).
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from itertools import pairwise

from stream.template.film import Card, Key, Move


@dataclass(frozen=True)
class Pose:
    """How a layer stands against how it was designed; x and y in canvas pixels."""

    opacity: float = 1.0
    x: float = 0.0
    y: float = 0.0
    scale: float = 1.0

    @property
    def at_rest(self) -> bool:
        """Whether it is in its own place, at its own size."""
        return self.x == 0 and self.y == 0 and self.scale == 1


def smooth(u: float) -> float:
    """The share of the way at a share of the time, gently."""
    return u * u * (3 - 2 * u)


@dataclass(frozen=True)
class Parts:
    """The parts of a film, in its seconds.

    Attributes:
        opening_s: length of the card before the take.
        take_s: length of the take.
        closing_s: length of the card after it.
        fade_in_s: seconds of the take in which it appears.
        fade_out_s: seconds of the take in which it goes.
    """

    opening_s: float
    take_s: float
    closing_s: float
    fade_in_s: float
    fade_out_s: float

    @classmethod
    def of(cls, opening: Card, closing: Card, take_s: float) -> Parts:
        """The parts for a take; fades are shortened where it is shorter than both."""
        fades = opening.fade_s + closing.fade_s
        share = min(1.0, take_s / fades) if fades > 0 else 1.0
        return cls(
            opening.seconds, take_s, closing.seconds, opening.fade_s * share, closing.fade_s * share
        )

    @property
    def end_s(self) -> float:
        """Where the take ends."""
        return self.opening_s + self.take_s

    @property
    def length_s(self) -> float:
        """Of the whole film."""
        return self.end_s + self.closing_s

    def zero_s(self, since: str) -> float:
        """The second of the film that times count from; one of `stream.template.film.SINCE`."""
        zeros = {"start": 0.0, "take": self.opening_s, "take end": self.end_s}
        return zeros.get(since, self.length_s)

    def take_at(self, t_s: float) -> float | None:
        """The second of the take that is shown; None where a card alone is."""
        at_s = t_s - self.opening_s
        return at_s if 0 <= at_s < self.take_s else None

    def share(self, t_s: float, shown: tuple[bool, bool, bool]) -> float:
        """By how much something is there that is seen in the card before, the take, and after.

        Args:
            t_s: second of the film.
            shown: whether it is seen in each of the three.
        """
        before, during, after = (1.0 if s else 0.0 for s in shown)
        if t_s < self.opening_s:
            return before
        if t_s >= self.end_s:
            return after
        since, left = t_s - self.opening_s, self.end_s - t_s
        if since < self.fade_in_s:
            return before + (during - before) * smooth(since / self.fade_in_s)
        if left < self.fade_out_s:
            return after + (during - after) * smooth(left / self.fade_out_s)
        return during


def _between(keys: tuple[Key, ...], at_s: float) -> Pose:
    if at_s <= keys[0].at_s:
        return _pose(keys[0])
    for before, after in pairwise(keys):
        if at_s < after.at_s:
            u = (at_s - before.at_s) / (after.at_s - before.at_s)
            u = smooth(u) if after.smooth else u

            def way(a: float, b: float, u: float = u) -> float:
                return a + (b - a) * u

            return Pose(
                way(before.opacity, after.opacity),
                way(before.x, after.x),
                way(before.y, after.y),
                way(before.scale, after.scale),
            )
    return _pose(keys[-1])


def _pose(key: Key) -> Pose:
    return Pose(key.opacity, key.x, key.y, key.scale)


def pose_at(moves: Iterable[Move], parts: Parts, t_s: float) -> Pose:
    """How a layer stands by all its moves: shifts add up, scales and opacities multiply.

    Args:
        moves: its own.
        parts: of the film.
        t_s: second of the film.
    """
    out = Pose()
    for move in moves:
        here = _between(move.keys, t_s - parts.zero_s(move.since))
        out = Pose(
            out.opacity * here.opacity,
            out.x + here.x,
            out.y + here.y,
            out.scale * here.scale,
        )
    return out
