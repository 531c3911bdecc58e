"""The [slot] parts of template.toml: where subjects stand, and how large."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from stream.template.reading import Box, Reader

# chosen: far above any picture; each slot keeps the picture below it, 86 MB of an 8x10.
MOST_SLOTS = 24
SLOT_HINT = (
    "it does not say where the subject stands; add to template.toml a part [slot] with "
    'above = "name of the layer that the subject stands on"'
)
FRAME_FITS, FIGURE_FITS = ("cover", "contain"), ("figure", "head")
FRAME_ANCHORS, FIGURE_ANCHORS = ("bottom", "center", "top"), ("feet", "head", "center")


@dataclass(frozen=True)
class Slot:
    """Where a subject stands: directly above a layer, fitted into a box.

    Attributes:
        above: name of the layer or group that it stands on.
        box: x, y, width, height in canvas pixels; None: the whole canvas.
        fit: "cover": the camera's frame fills the box; "contain": the whole frame lies in the box;
            "figure": the subject that was cut out, hands and props included, fills the box as far
            as its shape allows; "head": its head is ``head`` pixels high.
        anchor: what meets the box's edge (or middle): "bottom", "center" or "top" of the frame;
            "feet", "head" or "center" of the subject.
        mirror: left and right are exchanged.
        shows: which of the picture's shots stands here, 1 for the first.
        head: height of the head in canvas pixels, for fit "head".
    """

    above: str
    box: Box | None = None
    fit: str = "cover"
    anchor: str = "bottom"
    mirror: bool = False
    shows: int = 1
    head: float | None = None

    @property
    def wants_figure(self) -> bool:
        """Whether the subject has to be found before it can be placed."""
        return self.fit in FIGURE_FITS


def slot_name(slots: int, index: int) -> str:
    """How a message calls a slot."""
    return "[slot]" if slots == 1 else f"[[slot]] {index + 1}"


def _read(table: dict[str, Any], where: str, index: int, problems: list[str]) -> Slot | None:
    r = Reader(table, where, problems)
    above, box = r.text("above"), r.box("box")
    fit = r.choice("fit", FRAME_FITS + FIGURE_FITS, "cover")
    figure = fit in FIGURE_FITS
    anchors = FIGURE_ANCHORS if figure else FRAME_ANCHORS
    anchor = r.choice("anchor", anchors, anchors[0])
    mirror = r.flag("mirror")
    shows = r.number("shows", index + 1, low=1, high=MOST_SLOTS)
    if not shows.is_integer():
        r.wrong("shows", "a whole number, 1 for the first shot")
    head = r.number("head", None if fit == "head" else 0.0, low=1.0 if fit == "head" else 0.0)
    if fit != "head" and "head" in table:
        r.wrong("head", 'fit = "head" beside it, or no head')
    if not r.close():
        return None
    return Slot(above, box, fit, anchor, mirror, int(shows), head if fit == "head" else None)


def read_slots(said: dict[str, Any], problems: list[str]) -> tuple[Slot, ...]:
    """The slots, in the order in which they are written.

    Args:
        said: template.toml, with one [slot] or several [[slot]].
        problems: what is wrong is added here, a sentence each.

    Returns:
        None of them where one is wrong.
    """
    given = said.get("slot")
    tables = [given] if isinstance(given, dict) else given
    if not isinstance(tables, list) or not tables or not all(isinstance(t, dict) for t in tables):
        problems.append(SLOT_HINT)
        return ()
    if len(tables) > MOST_SLOTS:
        problems.append(f"there are {len(tables)} [[slot]]; at most {MOST_SLOTS} can be used")
        return ()
    slots = [_read(t, slot_name(len(tables), i), i, problems) for i, t in enumerate(tables)]
    whole = tuple(slot for slot in slots if slot is not None)
    if len(whole) < len(slots):
        return ()
    shown = {slot.shows for slot in whole}
    missing = [n for n in range(1, max(shown) + 1) if n not in shown]
    if missing:
        problems.append(
            f"a slot shows shot {max(shown)}, but none shows shot {missing[0]}; number the shots "
            "from 1 without gaps"
        )
        return ()
    return whole
