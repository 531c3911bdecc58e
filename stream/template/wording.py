"""The [[text]] parts of template.toml: what is written where, and how it looks."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Any

from stream.template.reading import Box, Reader

_COLUMN = re.compile(r"\{([^{}]*)\}")
DEFAULT_FONT = "fonts/DejaVuSans.ttf"


@dataclass(frozen=True)
class Outline:
    """A line around letters: width in canvas pixels, color sRGB in [0, 1]."""

    width: float
    color: tuple[float, float, float]


@dataclass(frozen=True)
class Shadow:
    """A shadow under letters: offset and blur radius in canvas pixels, opacity in [0, 1]."""

    dx: float
    dy: float
    blur: float
    color: tuple[float, float, float]
    opacity: float


@dataclass(frozen=True)
class Text:
    """Words in a box.

    Attributes:
        value: plain words, roster columns in braces.
        above: name of the layer or group that they stand on.
        box: x, y, width, height in canvas pixels.
        font: file inside the template's folder, or one that comes with the program.
        size: letter size in canvas pixels.
        least: the smallest letter size before a second line is tried.
        color: sRGB in [0, 1].
        align: "left", "center" or "right".
        valign: "top", "middle" or "bottom".
        outline: a line around the letters.
        shadow: a shadow under them.
    """

    value: str
    above: str
    box: Box
    font: str
    size: float
    least: float
    color: tuple[float, float, float] = (0.0, 0.0, 0.0)
    align: str = "center"
    valign: str = "middle"
    outline: Outline | None = None
    shadow: Shadow | None = None

    @property
    def columns(self) -> tuple[str, ...]:
        """The roster columns that it shows."""
        return tuple(m.strip() for m in _COLUMN.findall(self.value))


def read_text(table: dict[str, Any], where: str, problems: list[str]) -> Text | None:
    r = Reader(table, where, problems)
    value, above = r.text("value"), r.text("above")
    box = r.box("box")
    if "box" not in table:
        r.wrong("box", "[x, y, width, height] in pixels of the canvas")
    size = r.number("size", low=1)
    least = r.number("least", max(1.0, size / 2), low=1)
    if not r.failed and least > size:
        r.wrong("least", f"no more than size, which is {size:g}")
    font = r.text("font", DEFAULT_FONT)
    color = r.color("color", "#000000")
    align = r.choice("align", ("left", "center", "right"), "center")
    valign = r.choice("valign", ("top", "middle", "bottom"), "middle")
    outline = shadow = None
    whole = True
    inner = r.inner("outline")
    if inner is not None:
        outline = Outline(inner.number("width", low=0, high=1000), inner.color("color", "#ffffff"))
        whole &= inner.close()
    inner = r.inner("shadow")
    if inner is not None:
        shadow = Shadow(
            inner.number("dx", 0, low=-1000, high=1000),
            inner.number("dy", 0, low=-1000, high=1000),
            inner.number("blur", 0, low=0, high=1000),
            inner.color("color", "#000000"),
            inner.number("opacity", 0.6, low=0, high=1),
        )
        whole &= inner.close()
    for column in _COLUMN.findall(value):
        if not column.strip():
            r.wrong("value", "the name of a roster column between { and }")
    if not r.close() or not whole or box is None:
        return None
    return Text(
        value, above, box, font, size, least, color, align, valign, outline=outline, shadow=shadow
    )
