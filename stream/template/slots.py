"""The [slot] part of template.toml: where the subject stands."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from stream.template.reading import Box, Reader

SLOT_HINT = (
    "it does not say where the subject stands; add to template.toml a part [slot] with "
    'above = "name of the layer that the subject stands on"'
)


@dataclass(frozen=True)
class Slot:
    """Where the subject stands: directly above a layer, its frame fitted into a box.

    Attributes:
        above: name of the layer or group that it stands on.
        box: x, y, width, height in canvas pixels; None: the whole canvas.
        fit: "cover": the frame fills the box; "contain": the whole frame lies in the box.
        anchor: which edge of the frame and the box meet: "bottom", "center" or "top".
    """

    above: str
    box: Box | None = None
    fit: str = "cover"
    anchor: str = "bottom"


def read_slot(table: dict[str, Any], problems: list[str]) -> Slot | None:
    r = Reader(table, "[slot]", problems)
    slot = Slot(
        r.text("above"),
        r.box("box"),
        r.choice("fit", ("cover", "contain"), "cover"),
        r.choice("anchor", ("bottom", "center", "top"), "bottom"),
    )
    return slot if r.close() else None
