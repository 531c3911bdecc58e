"""Where a frame lies in a picture so that its subject stands in a slot."""

from __future__ import annotations

from dataclasses import dataclass

from models.figure import Figure
from models.resample import Placement
from stream.template.nudge import Nudge
from stream.template.reading import Box
from stream.template.slots import Slot

_AS_FRAME = {"feet": "bottom", "head": "top"}


@dataclass(frozen=True)
class Stand:
    """A slot in a picture of a certain size.

    Attributes:
        slot: the slot.
        box: its box in picture pixels.
        size: (H, W) of the picture.
        down: picture pixels a canvas pixel, downwards.
    """

    slot: Slot
    box: Box
    size: tuple[int, int]
    down: float

    @property
    def anchor(self) -> tuple[float, float]:
        """The point of the picture, x and y, that the slot's anchor names."""
        x, y, w, h = self.box
        place = _AS_FRAME.get(self.slot.anchor, self.slot.anchor)
        return x + w / 2, y + {"top": 0.0, "center": h / 2, "bottom": h}[place]

    def place(
        self, frame: tuple[int, int], mirror: bool, figure: Figure | None, nudge: Nudge
    ) -> Placement:
        """Where a frame lies.

        Args:
            frame: (H, W) of the upright frame.
            mirror: exchange left and right, beside what the slot says.
            figure: what was found in the frame.
            nudge: moves it from there.
        """
        mirror = mirror != self.slot.mirror
        rule = used_fit(self.slot, figure)
        if figure is None or rule not in ("figure", "head"):
            scale, dx, dy = self._frame(frame, rule)
        else:
            scale, dx, dy = self._figure(frame, mirror, figure, rule)
        x, y = self.anchor
        dx = x + (dx - x) * nudge.scale + nudge.right / 100 * self.size[1]
        dy = y + (dy - y) * nudge.scale + nudge.down / 100 * self.size[0]
        return Placement(scale * nudge.scale, dx, dy, mirror)

    def _frame(self, frame: tuple[int, int], rule: str) -> tuple[float, float, float]:
        x, y, w, h = self.box
        ratios = (w / frame[1], h / frame[0])
        scale = max(ratios) if rule == "cover" else min(ratios)
        spare = h - frame[0] * scale
        place = _AS_FRAME.get(self.slot.anchor, self.slot.anchor)
        down = {"top": 0.0, "center": spare / 2, "bottom": spare}[place]
        return scale, x + (w - frame[1] * scale) / 2, y + down

    def _figure(
        self, frame: tuple[int, int], mirror: bool, figure: Figure, rule: str
    ) -> tuple[float, float, float]:
        x, _, w, h = self.box
        high, wide = float(frame[0]), float(frame[1])
        left, right, centre = figure.left * wide, figure.right * wide, figure.centre * wide
        if mirror:
            left, right, centre = wide - right, wide - left, wide - centre
        top, bottom = figure.top * high, figure.bottom * high
        if rule == "head" and figure.head is not None and figure.head_height is not None:
            scale = (self.slot.head or h) * self.down / (figure.head_height * high)
            top = figure.head * high
            bottom = bottom if figure.feet is None else figure.feet * high
            dx = x + w / 2 - scale * centre
        else:
            scale = min(w / (right - left), h / (bottom - top))
            dx = x + w / 2 - scale * centre
            # An arm held out is no reason to leave the box: then its body stands aside.
            dx = min(max(dx, x - scale * left), x + w - scale * right)
        at = {"feet": bottom, "head": top, "center": (top + bottom) / 2}[self.slot.anchor]
        return scale, dx, self.anchor[1] - scale * at


def used_fit(slot: Slot, figure: Figure | None) -> str:
    """The fit that a figure allows: of a head that is not found the whole figure, else the frame.

    Args:
        slot: says the fit that is wanted.
        figure: what was found in the frame.
    """
    if not slot.wants_figure:
        return slot.fit
    if figure is None:
        return "contain"
    if slot.fit == "head" and (figure.head is None or figure.head_height is None):
        return "figure"
    return slot.fit


def stand_notes(slot: Slot, figure: Figure | None) -> tuple[str, ...]:
    """What a person should know of how a subject was placed, a sentence each."""
    rule = used_fit(slot, figure)
    if rule == slot.fit:
        return ()
    if figure is None:
        return (
            "the subject was not found in the frame, so the whole frame was fitted into its box; "
            "look at the picture, and nudge the shot if need be",
        )
    return (
        "the height of the head could not be told, so the whole figure was fitted into its box; "
        "look at the picture, and nudge the shot if need be",
    )


def cut_off_note(
    figure: Figure | None, frame: tuple[int, int], placement: Placement, size: tuple[int, int]
) -> str | None:
    """A sentence where an edge of the frame cuts through the subject and shows, else None.

    Args:
        figure: what was found in the frame; None where no slot asked for it.
        frame: (H, W) of the upright frame.
        placement: where it lies.
        size: (H, W) of the picture.
    """
    if figure is None:
        return None
    right, bottom = (
        start + placement.scale * side
        for start, side in ((placement.dx, frame[1]), (placement.dy, frame[0]))
    )
    left, beyond = figure.left <= 0, figure.right >= 1
    if placement.mirror:
        left, beyond = beyond, left
    shows = {
        "left": left and placement.dx > 1,
        "right": beyond and right < size[1] - 1,
        "lower": figure.bottom >= 1 and bottom < size[0] - 1,
        "upper": figure.top <= 0 and placement.dy > 1,
    }
    sides = [side for side, there in shows.items() if there]
    if not sides:
        return None
    named = " and ".join([", ".join(sides[:-1]), sides[-1]] if sides[1:] else sides)
    return (
        f"the frame cuts the subject off at its {named} edge, and that shows inside the picture; "
        "if no layer hides it, nudge the shot or make it larger"
    )
