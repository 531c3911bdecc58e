"""One picture that is wanted of a shot: which template, how large, how often."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, replace
from typing import Any


@dataclass(frozen=True)
class Wanted:
    """A picture that is to be made of a shot.

    Attributes:
        template: name of the template.
        template_version: its content's hash; the event keeps a copy of every version used.
        picture: file name below ``pictures/``.
        size: name of a paper that the picture is made for; None for the template's own size.
        copies: how many prints of it are wanted.
        former: names that it had before, when a person's name was corrected.
    """

    template: str
    template_version: str
    picture: str
    size: str | None = None
    copies: int = 1
    former: tuple[str, ...] = ()

    def to_json(self) -> dict[str, Any]:
        """Plain values, readable in a file."""
        return {**asdict(self), "former": list(self.former)}

    def renamed(self, name: str) -> Wanted:
        """The same under another name, the one before kept in mind."""
        former = tuple(dict.fromkeys((*self.former, self.picture)))
        return replace(self, picture=name, former=tuple(f for f in former if f != name))

    @classmethod
    def from_json(cls, data: Mapping[str, Any]) -> Wanted:
        """The reverse of `to_json`; unknown keys are left aside.

        Raises:
            KeyError, TypeError, ValueError: a value is missing or of the wrong kind.
        """
        size = data.get("size")
        return cls(
            str(data["template"]),
            str(data["template_version"]),
            str(data["picture"]),
            None if size is None else str(size),
            int(data.get("copies", 1)),
            tuple(str(f) for f in data.get("former", ())),
        )
