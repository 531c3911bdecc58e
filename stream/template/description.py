"""template.toml: the size of the picture, where the subject stands, and what is written where.

Every mistake is gathered, so that a designer sees all of them at once.
"""

from __future__ import annotations

import difflib
import math
import re
import tomllib
from dataclasses import dataclass
from typing import Any

from models.composite import Mode
from stream.template.paper import PAPERS

Box = tuple[float, float, float, float]

_COLOR = re.compile(r"#[0-9a-fA-F]{6}")
_COLUMN = re.compile(r"\{([^{}]*)\}")


@dataclass(frozen=True)
class Picture:
    """The print: inches and pixels per inch."""

    width_in: float
    height_in: float
    ppi: float

    @property
    def size(self) -> tuple[int, int]:
        """(H, W) in pixels."""
        return max(1, round(self.height_in * self.ppi)), max(1, round(self.width_in * self.ppi))


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


@dataclass(frozen=True)
class LayerNote:
    """Mode and opacity of a numbered PNG layer."""

    name: str
    mode: Mode
    opacity: float


@dataclass(frozen=True)
class Description:
    """What template.toml says; a part that was wrong is None."""

    picture: Picture | None
    slot: Slot | None
    texts: tuple[Text, ...]
    layers: tuple[LayerNote, ...]


DEFAULT_FONT = "fonts/DejaVuSans.ttf"
SLOT_HINT = (
    "it does not say where the subject stands; add to template.toml a part [slot] with "
    'above = "name of the layer that the subject stands on"'
)


class _Reader:
    """Takes typed values out of one table and notes what is wrong with them."""

    def __init__(self, table: dict[str, Any], where: str, problems: list[str]) -> None:
        self.table = dict(table)
        self.where = where
        self.problems = problems
        self.known: list[str] = []
        self.failed = False

    def wrong(self, key: str, needed: str) -> None:
        self.failed = True
        if key in self.table:
            self.problems.append(f"{self.where}: {key} is {self.table[key]!r}; need {needed}")
        else:
            self.problems.append(f"{self.where}: {key} is missing; need {needed}")

    def number(
        self, key: str, default: float | None = None, *, low: float = 0.0, high: float = 1e6
    ) -> float:
        self.known.append(key)
        value = self.table.get(key, default)
        if isinstance(value, bool) or not isinstance(value, int | float):
            self.wrong(key, "a number")
            return 1.0
        if not (math.isfinite(value) and low <= value <= high):
            self.wrong(key, f"a number from {low:g} to {high:g}")
            return 1.0
        return float(value)

    def text(self, key: str, default: str | None = None) -> str:
        self.known.append(key)
        value = self.table.get(key, default)
        if not isinstance(value, str) or not value.strip():
            self.wrong(key, "words in quotes")
            return ""
        return value

    def choice(self, key: str, options: tuple[str, ...], default: str) -> str:
        self.known.append(key)
        value = self.table.get(key, default)
        if value not in options:
            self.wrong(key, "one of " + ", ".join(options))
            return default
        return str(value)

    def flag(self, key: str) -> bool:
        self.known.append(key)
        value = self.table.get(key, False)
        if not isinstance(value, bool):
            self.wrong(key, "true or false, without quotes")
            return False
        return value

    def color(self, key: str, default: str) -> tuple[float, float, float]:
        self.known.append(key)
        value = self.table.get(key, default)
        if not isinstance(value, str) or not _COLOR.fullmatch(value):
            self.wrong(key, 'a colour such as "#ffcc00"')
            return (0.0, 0.0, 0.0)
        red, green, blue = (int(value[i : i + 2], 16) / 255 for i in (1, 3, 5))
        return (red, green, blue)

    def box(self, key: str) -> Box | None:
        self.known.append(key)
        value = self.table.get(key)
        if value is None:
            return None
        if (
            not isinstance(value, list)
            or len(value) != 4
            or any(isinstance(v, bool) or not isinstance(v, int | float) for v in value)
            or not all(math.isfinite(v) and abs(v) < 1e6 for v in value)
            or value[2] < 1
            or value[3] < 1
        ):
            self.wrong(key, "[x, y, width, height] in pixels of the canvas")
            return None
        return (float(value[0]), float(value[1]), float(value[2]), float(value[3]))

    def inner(self, key: str) -> _Reader | None:
        self.known.append(key)
        value = self.table.get(key)
        if value is None:
            return None
        if not isinstance(value, dict):
            self.wrong(key, "a table in { }")
            return None
        return _Reader(value, f"{self.where}, {key}", self.problems)

    def close(self) -> bool:
        """Note unknown entries; True where everything was right."""
        for key in self.table:
            if key not in self.known:
                near = difflib.get_close_matches(key, self.known, 1)
                hint = f'did you mean "{near[0]}"?' if near else "remove it"
                self.problems.append(f'{self.where}: there is no entry "{key}"; {hint}')
        return not self.failed


def _picture(table: dict[str, Any], problems: list[str]) -> Picture | None:
    r = _Reader(table, "[picture]", problems)
    ppi = r.number("ppi", 300, low=20, high=2400)
    if "paper" in table:
        paper = PAPERS.get(r.choice("paper", tuple(PAPERS), "4x6"))
        turned = r.choice("hold", ("upright", "wide"), "upright") == "wide"
        bleed = r.flag("bleed")
        if not r.close() or paper is None:
            return None
        extra = 2 * paper.bleed_in if bleed else 0.0
        width, height = paper.width_in + extra, paper.height_in + extra
        return Picture(height, width, ppi) if turned else Picture(width, height, ppi)
    width = r.number("width_in", low=0.01, high=200)
    height = r.number("height_in", low=0.01, high=200)
    return Picture(width, height, ppi) if r.close() else None


def _slot(table: dict[str, Any], problems: list[str]) -> Slot | None:
    r = _Reader(table, "[slot]", problems)
    slot = Slot(
        r.text("above"),
        r.box("box"),
        r.choice("fit", ("cover", "contain"), "cover"),
        r.choice("anchor", ("bottom", "center", "top"), "bottom"),
    )
    return slot if r.close() else None


def _text(table: dict[str, Any], where: str, problems: list[str]) -> Text | None:
    r = _Reader(table, where, problems)
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


def _note(table: dict[str, Any], where: str, problems: list[str]) -> LayerNote | None:
    r = _Reader(table, where, problems)
    name = r.text("name")
    mode = r.choice("mode", tuple(m.value for m in Mode), "normal")
    opacity = r.number("opacity", 1.0, low=0, high=1)
    return LayerNote(name, Mode(mode), opacity) if r.close() else None


def _tables(data: dict[str, Any], key: str, problems: list[str]) -> list[dict[str, Any]]:
    value = data.get(key, [])
    if not isinstance(value, list) or not all(isinstance(v, dict) for v in value):
        problems.append(f"{key} must be written as [[{key}]], one for each")
        return []
    return value


def _table(data: dict[str, Any], key: str, missing: str, problems: list[str]) -> Any:
    value = data.get(key)
    if not isinstance(value, dict):
        problems.append(missing)
        return None
    return value


def read_description(data: bytes, problems: list[str]) -> Description:
    """Read template.toml.

    Args:
        data: the file.
        problems: what is wrong is added here, a sentence each.
    """
    try:
        table = tomllib.loads(data.decode("utf-8-sig"))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as e:
        problems.append(f"template.toml cannot be read ({e}); mend that line")
        return Description(None, None, (), ())
    for key in table:
        if key not in ("picture", "slot", "text", "layer"):
            problems.append(f'template.toml has a part "{key}" that is not known; remove it')
    picture = _table(
        table,
        "picture",
        "it does not say how large the picture is; add to template.toml a part [picture] with "
        "width_in, height_in and ppi",
        problems,
    )
    slot = _table(table, "slot", SLOT_HINT, problems)
    texts = [
        _text(t, f"[[text]] {i}", problems)
        for i, t in enumerate(_tables(table, "text", problems), 1)
    ]
    notes = [
        _note(t, f"[[layer]] {i}", problems)
        for i, t in enumerate(_tables(table, "layer", problems), 1)
    ]
    return Description(
        None if picture is None else _picture(picture, problems),
        None if slot is None else _slot(slot, problems),
        tuple(t for t in texts if t is not None),
        tuple(n for n in notes if n is not None),
    )
