"""Follow a person with a placement: at rest while they stand, softly when they move.

A figure that is found anew in every frame trembles by a pixel, and a frame placed by it would
tremble with it. So the goal stays where it is until the figure has left a dead band around it, and
the placement approaches the goal exponentially; its scale more slowly than its place, since a
picture that breathes is seen sooner than one that drifts. What rests at the slot's anchor (the
feet, say) stays there while the scale changes.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from models.resample import Placement

# chosen by eye on recorded people, at 25 frames a second:
LOOK_S = 0.1
"""A figure is looked for so often; between two looks the placement goes on towards its goal."""
PLACE_S, SCALE_S = 0.2, 0.6
"""Time constants of place and scale: after three of them 95 % of the way is gone."""
PLACE_BAND, SCALE_BAND = 0.008, 0.03
"""Dead bands: of the place a share of the picture's height, of the scale a share of itself."""
AWAY_S = 1.0
"""Somebody found again after so long is placed at once: nobody saw the way there."""


@dataclass(frozen=True)
class _View:
    """The point of the frame, in its pixels, that lies at the anchor, and the scale's logarithm."""

    x: float
    y: float
    scale_log: float

    def towards(self, goal: _View, place: float, scale: float) -> _View:
        """Moved by shares of the way to another."""
        return _View(
            self.x + place * (goal.x - self.x),
            self.y + place * (goal.y - self.y),
            self.scale_log + scale * (goal.scale_log - self.scale_log),
        )


class Following:
    """Smooths the placements of one slot over time. One thread at a time."""

    def __init__(self) -> None:
        """Begin with nobody."""
        self._about: tuple[object, ...] | None = None
        self._now: _View | None = None
        self._goal: _View | None = None
        self._at_s = 0.0
        self._looked_s = -math.inf
        self._seen_s = -math.inf

    def due(self, now_s: float) -> bool:
        """Whether it is time to look for the figure again."""
        return self._now is None or not 0 <= now_s - self._looked_s < LOOK_S

    def look(
        self,
        wanted: Placement,
        found: bool,
        anchor: tuple[float, float],
        height: int,
        about: tuple[object, ...],
        now_s: float,
    ) -> Placement:
        """Tell where the figure wants the frame, and get where to lay it now.

        Args:
            wanted: the slot's own placement for this frame.
            found: a figure was found in it; else ``wanted`` only counts where nothing else does.
            anchor: x and y in the picture, in pixels, that the slot's anchor names.
            height: of the picture, in pixels.
            about: sizes and the like; where they change, all begins anew.
            now_s: when the frame came; any clock that only goes on.
        """
        view = _View(
            (anchor[0] - wanted.dx) / wanted.scale,
            (anchor[1] - wanted.dy) / wanted.scale,
            math.log(wanted.scale),
        )
        about = (*about, wanted.mirror)
        same = self._about == about and now_s >= self._at_s
        self._about, self._looked_s = about, now_s
        # On towards the old goal up to now; the new one counts from here.
        if same:
            self.go_on(anchor, wanted.mirror, now_s)
        if self._now is None or self._goal is None or not same:
            self._now = self._goal = view
            self._seen_s = -math.inf
        elif found and now_s - self._seen_s > AWAY_S:
            self._now = self._goal = view
        elif found:
            off = math.hypot(view.x - self._goal.x, view.y - self._goal.y) * wanted.scale
            scaled = abs(view.scale_log - self._goal.scale_log)
            if off > PLACE_BAND * height or scaled > SCALE_BAND:
                self._goal = view
        if found:
            self._seen_s = now_s
        self._at_s = now_s
        return self._shown(anchor, wanted.mirror)

    def go_on(self, anchor: tuple[float, float], mirror: bool, now_s: float) -> Placement:
        """Where to lay the frame now, on the way to the goal.

        Args:
            anchor, now_s: as in `look`, which was called before.
            mirror: as in what `look` was told.
        """
        if self._now is None or self._goal is None:
            raise RuntimeError("nothing to follow yet: look first")
        gone_s = max(now_s - self._at_s, 0.0)
        self._at_s = now_s
        self._now = self._now.towards(
            self._goal, 1 - math.exp(-gone_s / PLACE_S), 1 - math.exp(-gone_s / SCALE_S)
        )
        return self._shown(anchor, mirror)

    def _shown(self, anchor: tuple[float, float], mirror: bool) -> Placement:
        if self._now is None:
            raise RuntimeError("nothing to follow yet: look first")
        scale = math.exp(self._now.scale_log)
        x, y = anchor
        return Placement(scale, x - scale * self._now.x, y - scale * self._now.y, mirror)


class Followings:
    """One `Following` for each slot; all begin anew with another template, size or nudge."""

    def __init__(self) -> None:
        """Begin with nobody."""
        self._about: tuple[object, ...] | None = None
        self._slots: dict[int, Following] = {}

    def of(self, slot: int, about: tuple[object, ...]) -> Following:
        """The slot's; one that stood in another picture would be laid wrong in this one."""
        if about != self._about:
            self._about, self._slots = about, {}
        return self._slots.setdefault(slot, Following())
