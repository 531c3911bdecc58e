"""The [[text]] parts of template.toml: what is written where, and how it looks."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from stream.template.casing import CASES
from stream.template.markup import plain
from stream.template.reading import Box, Reader

_COLUMN = re.compile(r"\{([^{}]*)\}")
DEFAULT_FONT = "fonts/DejaVuSans.ttf"
BOX_HINT = "[x, y, width, height] in pixels of the canvas"
# Distance of two baselines, in letter sizes: common practice.
LINE_SPACING = 1.15


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
        size: letter size in canvas pixels; None: as large as the box allows.
        least: the smallest letter size before another line is tried.
        color: sRGB in [0, 1].
        align: "left", "center" or "right".
        valign: "top", "middle" or "bottom".
        outline: a line around the letters.
        shadow: a shadow under them.
        fallback: fonts for letters that ``font`` lacks, before those of the program.
        tracking: room added between letters, in thousandths of the letter size.
        case: one of `stream.template.casing.CASES`.
        lines: how many lines at most.
        line_spacing: distance of two baselines, in letter sizes.
        direction: "auto" (by the first letter), "ltr" or "rtl".
    """

    value: str
    above: str
    box: Box
    font: str
    size: float | None
    least: float
    color: tuple[float, float, float] = (0.0, 0.0, 0.0)
    align: str = "center"
    valign: str = "middle"
    outline: Outline | None = None
    shadow: Shadow | None = None
    fallback: tuple[str, ...] = ()
    tracking: float = 0.0
    case: str = "as written"
    lines: int = 2
    line_spacing: float = LINE_SPACING
    direction: str = "auto"

    @property
    def columns(self) -> tuple[str, ...]:
        """The roster columns that it shows."""
        return columns_of(self.value)

    @property
    def fonts(self) -> tuple[str, ...]:
        """The font files that it names, in the order in which they are asked for a letter."""
        return (self.font, *self.fallback)

    @property
    def label(self) -> str:
        """How a person finds it in template.toml."""
        return f'[[text]] "{self.said}"'

    @property
    def said(self) -> str:
        """Its value on one line, for messages."""
        return one_line(self.value)


def one_line(value: str) -> str:
    """A value as a message shows it: several lines as one."""
    return plain(" ".join(value.split()))


def columns_of(value: str) -> tuple[str, ...]:
    """The roster columns in a value."""
    return tuple(m.strip() for m in _COLUMN.findall(value))


def put_in(value: str, fields: Mapping[str, str]) -> str:
    """A value with the roster's columns put in; a column that is missing is empty."""
    return _COLUMN.sub(lambda m: str(fields.get(m.group(1).strip(), "")), value)


def read_value(r: Reader) -> str:
    """The entry ``value``, its columns checked."""
    value = r.text("value")
    if any(not column for column in columns_of(value)):
        r.wrong("value", "the name of a roster column between { and }")
    return value


def read_box(r: Reader) -> Box | None:
    """The entry ``box``, which has to be there."""
    if "box" not in r.table:
        r.wrong("box", BOX_HINT)
    return r.box("box")


def _looks(r: Reader, box: Box | None) -> tuple[bool, Outline | None, Shadow | None]:
    """Outline and shadow, and whether they were right."""
    outline = shadow = None
    whole = True
    inner = r.inner("outline")
    if inner is not None:
        outline = Outline(inner.number("width", low=0, high=1000), inner.color("color", "#ffffff"))
        if box is not None and not inner.failed and 4 * outline.width > min(box[2:]):
            inner.wrong("width", f"at most a quarter of the box, which is {min(box[2:]):g} pixels")
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
    return whole, outline, shadow


def _sizes(r: Reader, box: Box | None) -> tuple[float | None, float]:
    """Letter size (None: as large as the box allows) and the least one."""
    if r.table.get("size", "fit") == "fit":
        r.known.append("size")
        # chosen: two lines of this size fill three fifths of the box.
        return None, r.number("least", max(1.0, box[3] / 4) if box else 1.0, low=1)
    if isinstance(r.table["size"], str):
        r.known += ["size", "least"]
        r.wrong("size", 'a number, or "fit" for letters as large as the box allows')
        return None, 1.0
    size = r.number("size", low=1)
    least = r.number("least", max(1.0, size / 2), low=1)
    if not r.failed and least > size:
        r.wrong("least", f"no more than size, which is {size:g}")
    return size, least


def read_text(table: dict[str, Any], where: str, problems: list[str]) -> Text | None:
    r = Reader(table, where, problems)
    value, above = read_value(r), r.text("above")
    box = read_box(r)
    size, least = _sizes(r, box)
    font = r.text("font", DEFAULT_FONT)
    color = r.color("color", "#000000")
    align = r.choice("align", ("left", "center", "right"), "center")
    valign = r.choice("valign", ("top", "middle", "bottom"), "middle")
    whole, outline, shadow = _looks(r, box)
    text = Text(
        value,
        above,
        box or (0.0, 0.0, 1.0, 1.0),
        font,
        size,
        least,
        color,
        align,
        valign,
        outline=outline,
        shadow=shadow,
        fallback=r.words("fallback"),
        # chosen: at -200 plain letters touch, and a word spaced by 2000 is one no more.
        tracking=r.number("tracking", 0, low=-200, high=2000),
        case=r.choice("case", CASES, "as written"),
        lines=r.count("lines", 2, low=1, high=20),
        line_spacing=r.number("line_spacing", LINE_SPACING, low=0.7, high=5),
        direction=r.choice("direction", ("auto", "ltr", "rtl"), "auto"),
    )
    return text if r.close() and whole and box is not None else None
