"""event.toml: an event's name, date, usual template and key settings (TOML 1.0)."""

from __future__ import annotations

import json
import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from typing import Any

from stream.errors import UserError
from stream.shape import SHAPES

FILM_SHAPES = tuple(SHAPES)
"""Of films: 1920 x 1080, and 1080 x 1920 for phones held upright."""

LONGEST_S = 20.0
"""Of a take, where nobody says otherwise. Common practice: a greeting is 10 to 20 s long. Every
second of it is some 30 frames to key: ten to fifteen seconds of a laptop's two cores, and more
beside the live picture."""
LEAST_TAKE_S, MOST_TAKE_S = 1.0, 600.0


class EventError(UserError):
    """The event folder is not there, not an event, or cannot be used."""


@dataclass(frozen=True)
class EventConfig:
    """What stands in event.toml.

    Attributes:
        name: of the event, for people.
        day: its date.
        template: the template used when none is named.
        key: key settings, as `KeySettings.to_json` gives them; what is missing is the default.
        roster: how the roster is read, as `stream.people.Reading` gives it.
        pictures: the form of finished pictures, as `Output.to_table` gives it.
        nudge: how far subjects are moved from their places: as `Nudge.to_json` gives it, and
            tables of the same by the names of templates.
        films: of takes: ``shapes``, what is made of one, a list out of `FILM_SHAPES`; ``longest``,
            after how many seconds one ends by itself.
        best: what is kept of the frames that a shot was chosen from.
    """

    name: str
    day: date | None = None
    template: str | None = None
    key: Mapping[str, Any] = field(default_factory=dict)
    roster: Mapping[str, Any] = field(default_factory=dict)
    pictures: Mapping[str, Any] = field(default_factory=dict)
    nudge: Mapping[str, Any] = field(default_factory=dict)
    films: Mapping[str, Any] = field(default_factory=dict)
    best: Mapping[str, Any] = field(default_factory=dict)

    @property
    def film_shapes(self) -> tuple[str, ...]:
        """The shapes in which a take's film is made unasked; none where it says so."""
        return tuple(dict.fromkeys(self.films.get("shapes", FILM_SHAPES[:1])))

    @property
    def longest_s(self) -> float:
        """After how many seconds a take ends by itself, unless somebody says otherwise."""
        return float(self.films.get("longest", LONGEST_S))

    def to_toml(self) -> str:
        """The text of event.toml."""
        lines = [f"name = {_toml(self.name)}"]
        if self.day:
            lines.append(f"date = {self.day.isoformat()}")
        if self.template:
            lines.append(f"template = {_toml(self.template)}")
        # TOML has no null: a setting that is unset is left out and so keeps its default.
        key = {k: v for k, v in self.key.items() if v is not None}
        if key:
            lines += ["", "[key]"] + [f"{_toml(k)} = {_toml(v)}" for k, v in key.items()]
        if self.roster:
            lines += ["", *_roster_lines(self.roster)]
        if self.pictures:
            lines += ["", "[pictures]"]
            lines += [f"{_toml(k)} = {_toml(v)}" for k, v in self.pictures.items()]
        if self.nudge:
            lines += ["", "[nudge]"] + [f"{_toml(k)} = {_toml(v)}" for k, v in self.nudge.items()]
        for name, table in (("films", self.films), ("best", self.best)):
            if table:
                lines += ["", f"[{name}]"] + [f"{_toml(k)} = {_toml(v)}" for k, v in table.items()]
        return "\n".join(lines) + "\n"

    @classmethod
    def load(cls, path: Path) -> EventConfig:
        """Read event.toml.

        Raises:
            EventError: it is no TOML, or a value is of the wrong kind.
        """
        try:
            data = tomllib.loads(path.read_text("utf-8"))
        except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as e:
            raise EventError(f"{path} cannot be read ({e}); mend it in a text editor.") from e
        name, day = data.get("name"), data.get("date")
        template, key = data.get("template"), data.get("key", {})
        roster = data.get("roster", {})
        pictures, nudge = data.get("pictures", {}), data.get("nudge", {})
        films, best = data.get("films", {}), data.get("best", {})
        if not isinstance(name, str) or not name.strip():
            raise EventError(f'{path} needs a line  name = "…"  with the name of the event.')
        if (
            (day is not None and type(day) is not date)
            or not isinstance(template, str | None)
            or not isinstance(key, dict)
            or not all(isinstance(t, dict) for t in (roster, pictures, nudge, films, best))
        ):
            raise EventError(
                f"{path}: date must be like 2026-05-31, template a name in quotes, [key], "
                "[roster], [pictures], [nudge], [films] and [best] tables; correct what is not so."
            )
        _check_films(path, films)
        return cls(name, day, template, key, roster, pictures, nudge, films, best)


def _check_films(path: Path, films: Mapping[str, Any]) -> None:
    shapes = films.get("shapes", [])
    unknown = sorted(set(films) - {"shapes", "longest"})
    if unknown:
        raise EventError(
            f"{path}, [films]: there is no '{unknown[0]}'; it may say shapes and longest."
        )
    longest = films.get("longest", LONGEST_S)
    # A bool is an int to Python.
    number = isinstance(longest, int | float) and not isinstance(longest, bool)
    if not number or not LEAST_TAKE_S <= longest <= MOST_TAKE_S:
        raise EventError(
            f"{path}, [films]: longest is {_toml(longest)}; give the seconds after which a take "
            f"ends by itself, {LEAST_TAKE_S:g} to {MOST_TAKE_S:g}."
        )
    if not isinstance(shapes, list) or not all(s in FILM_SHAPES for s in shapes):
        raise EventError(
            f"{path}, [films]: shapes is {_toml(shapes)}; give a list out of "
            f'{", ".join(map(_toml, FILM_SHAPES))}, such as ["wide"], or [] to make none unasked.'
        )


def _roster_lines(roster: Mapping[str, Any]) -> list[str]:
    return ["[roster]", *(f"{_key(k)} = {_toml(v)}" for k, v in roster.items())]


def _key(name: str) -> str:
    return name if re.fullmatch(r"[A-Za-z0-9_-]+", name) else _toml(name)


def with_roster(text: str, roster: Mapping[str, Any]) -> str:
    """The text of event.toml with another [roster] table; all else stays as it was written.

    Raises:
        EventError: the table is written in a way that cannot be replaced.
    """
    new = "\n".join(_roster_lines(roster))
    found = re.search(r"(?m)^[ \t]*\[[ \t]*roster[ \t]*\][^\n]*\n?", text)
    if found is None:
        out = f"{text.rstrip()}\n\n{new}\n" if roster else text
    else:
        rest = text[found.end() :]
        following = re.search(r"(?m)^[ \t]*\[", rest)
        tail = rest[following.start() :] if following else ""
        out = text[: found.start()] + f"{new}\n" + (f"\n{tail}" if tail else "")
    try:
        before, after = tomllib.loads(text), tomllib.loads(out)
    except tomllib.TOMLDecodeError:
        before, after = {}, {"": None}
    before.pop("roster", None)
    if after.pop("roster", {}) != dict(roster) or before != after:
        raise EventError(
            f"event.toml has its [roster] written in a way that cannot be changed here; write it "
            f"in a text editor as:\n{new}"
        )
    return out


def _toml(value: Any) -> str:
    if isinstance(value, Mapping):
        return "{" + ", ".join(f"{_toml(k)} = {_toml(v)}" for k, v in value.items()) + "}"
    if isinstance(value, list | tuple):
        return "[" + ", ".join(_toml(v) for v in value) + "]"
    # A JSON string, number or bool is one of TOML too, but for DEL, which TOML wants escaped.
    return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
