"""Typed values out of a table of template.toml; what is wrong with them is gathered, not raised."""

from __future__ import annotations

import difflib
import re
from typing import Any

Box = tuple[float, float, float, float]
"""x, y, width, height in canvas pixels."""

_MOST_QUOTED = 80
_MOST_WORDS = 300
# chosen: far above any design. Each text is set and each font of it read for every picture.
_MOST_PARTS = 200
_MOST_LISTED = 16
_COLOR = re.compile(r"#[0-9a-fA-F]{6}")


def shown(value: object) -> str:
    """A value as a sentence quotes it: not longer than can be read."""
    try:
        said = repr(value)
    except ValueError:  # a number of thousands of digits
        return "a number of thousands of digits"
    return said if len(said) <= _MOST_QUOTED else f"{said[: _MOST_QUOTED - 4]}...{said[-1]}"


class Reader:
    """Takes typed values out of one table and notes what is wrong with them.

    A value that was wrong comes back as something harmless of its kind; `failed` says so.
    """

    def __init__(self, table: dict[str, Any], where: str, problems: list[str]) -> None:
        self.table = dict(table)
        self.where = where
        self.problems = problems
        self.known: list[str] = []
        self.failed = False

    def wrong(self, key: str, needed: str) -> None:
        """Note what a value is and what it should be."""
        self.failed = True
        if key in self.table:
            self.problems.append(f"{self.where}: {key} is {shown(self.table[key])}; need {needed}")
        else:
            self.problems.append(f"{self.where}: {key} is missing; need {needed}")

    def number(
        self, key: str, default: float | None = None, *, low: float = 0.0, high: float = 1e6
    ) -> float:
        """A number within bounds."""
        self.known.append(key)
        value = self.table.get(key, default)
        if isinstance(value, bool) or not isinstance(value, int | float):
            self.wrong(key, "a number")
            return 1.0
        # Not a number is not in between, either.
        if not low <= value <= high:
            self.wrong(key, f"a number from {low:g} to {high:g}")
            return 1.0
        return float(value)

    def count(self, key: str, default: int, *, low: int, high: int) -> int:
        """A whole number within bounds."""
        value = self.table.get(key, default)
        if isinstance(value, bool) or not isinstance(value, int) or not low <= value <= high:
            self.known.append(key)
            self.wrong(key, f"a whole number from {low} to {high}")
            return default
        return int(self.number(key, default, low=low, high=high))

    def text(self, key: str, default: str | None = None) -> str:
        """Words that are not empty."""
        self.known.append(key)
        value = self.table.get(key, default)
        if not isinstance(value, str) or not value.strip():
            self.wrong(key, "words in quotes")
            return ""
        if len(value) > _MOST_WORDS:
            self.wrong(key, f"at most {_MOST_WORDS} letters")
            return ""
        return value

    def words(self, key: str) -> tuple[str, ...]:
        """A list of words, none of them empty; an empty list where there is none."""
        self.known.append(key)
        value = self.table.get(key, [])
        if not isinstance(value, list) or not all(isinstance(v, str) and v.strip() for v in value):
            self.wrong(key, 'a list such as ["one", "two"]')
            return ()
        if len(value) > _MOST_LISTED:
            self.wrong(key, f"at most {_MOST_LISTED} of them")
            return ()
        return tuple(value)

    def choice(self, key: str, options: tuple[str, ...], default: str) -> str:
        """One of a few words."""
        self.known.append(key)
        value = self.table.get(key, default)
        if not isinstance(value, str) or value not in options:
            self.wrong(key, "one of " + ", ".join(options))
            return default
        return str(value)

    def flag(self, key: str) -> bool:
        """Yes or no."""
        self.known.append(key)
        value = self.table.get(key, False)
        if not isinstance(value, bool):
            self.wrong(key, "true or false, without quotes")
            return False
        return value

    def color(self, key: str, default: str) -> tuple[float, float, float]:
        """An sRGB colour, in [0, 1]."""
        self.known.append(key)
        value = self.table.get(key, default)
        if not isinstance(value, str) or not _COLOR.fullmatch(value):
            self.wrong(key, 'a colour such as "#ffcc00"')
            return (0.0, 0.0, 0.0)
        red, green, blue = (int(value[i : i + 2], 16) / 255 for i in (1, 3, 5))
        return (red, green, blue)

    def box(self, key: str) -> Box | None:
        """A rectangle, or None where there is none."""
        self.known.append(key)
        value = self.table.get(key)
        if value is None:
            return None
        if (
            not isinstance(value, list)
            or len(value) != 4
            or any(isinstance(v, bool) or not isinstance(v, int | float) for v in value)
            or not all(abs(v) < 1e6 for v in value)
            or value[2] < 1
            or value[3] < 1
        ):
            self.wrong(key, "[x, y, width, height] in pixels of the canvas")
            return None
        return (float(value[0]), float(value[1]), float(value[2]), float(value[3]))

    def inner(self, key: str) -> Reader | None:
        """The reader of a table inside this one, or None where there is none."""
        self.known.append(key)
        value = self.table.get(key)
        if value is None:
            return None
        if not isinstance(value, dict):
            self.wrong(key, "a table in { }")
            return None
        return Reader(value, f"{self.where}, {key}", self.problems)

    def close(self) -> bool:
        """Note unknown entries; True where everything was right."""
        for key in self.table:
            if key not in self.known:
                near = difflib.get_close_matches(key, self.known, 1)
                hint = f'did you mean "{near[0]}"?' if near else "remove it"
                self.problems.append(
                    f'{self.where}: there is no entry "{shown(key)[1:-1]}"; {hint}'
                )
        return not self.failed


def tables(data: dict[str, Any], key: str, problems: list[str]) -> list[dict[str, Any]]:
    """The tables of a part that may stand there several times."""
    value = data.get(key, [])
    if not isinstance(value, list) or not all(isinstance(v, dict) for v in value):
        problems.append(f"{key} must be written as [[{key}]], one for each")
        return []
    if len(value) > _MOST_PARTS:
        problems.append(f"there are {len(value)} [[{key}]]; at most {_MOST_PARTS} can be used")
        return []
    return value


def table(data: dict[str, Any], key: str, missing: str, problems: list[str]) -> Any:
    """A part that must stand there once; None, and ``missing`` noted, where it does not."""
    value = data.get(key)
    if not isinstance(value, dict):
        problems.append(missing)
        return None
    return value
