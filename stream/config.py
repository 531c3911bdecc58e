"""event.toml: an event's name, date, usual template and key settings (TOML 1.0)."""

from __future__ import annotations

import json
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from typing import Any

from stream.errors import UserError


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
        pictures: the form of finished pictures, as `Output.to_table` gives it.
    """

    name: str
    day: date | None = None
    template: str | None = None
    key: Mapping[str, Any] = field(default_factory=dict)
    pictures: Mapping[str, Any] = field(default_factory=dict)

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
        if self.pictures:
            lines += ["", "[pictures]"]
            lines += [f"{_toml(k)} = {_toml(v)}" for k, v in self.pictures.items()]
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
        pictures = data.get("pictures", {})
        if not isinstance(name, str) or not name.strip():
            raise EventError(f'{path} needs a line  name = "…"  with the name of the event.')
        if (
            (day is not None and type(day) is not date)
            or not isinstance(template, str | None)
            or not isinstance(key, dict)
            or not isinstance(pictures, dict)
        ):
            raise EventError(
                f"{path}: date must be like 2026-05-31, template a name in quotes, [key] and "
                "[pictures] tables; correct what is not so."
            )
        return cls(name, day, template, key, pictures)


def _toml(value: Any) -> str:
    if isinstance(value, Mapping):
        return "{" + ", ".join(f"{_toml(k)} = {_toml(v)}" for k, v in value.items()) + "}"
    if isinstance(value, list | tuple):
        return "[" + ", ".join(_toml(v) for v in value) + "]"
    # A JSON string, number or bool is one of TOML too, but for DEL, which TOML wants escaped.
    return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
