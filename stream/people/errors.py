"""What is raised for a roster that cannot be used."""

from __future__ import annotations

from stream.errors import UserError


class RosterError(UserError):
    """The roster file cannot be used as it is; the sentence says why.

    Attributes:
        logged: the same without anything of the file, which may be a name of a person.
    """

    def __init__(self, sentence: str, logged: str | None = None) -> None:
        super().__init__(sentence)
        self.logged = logged or "the roster cannot be used; 'posewall roster check' says why."


def some(items: list[str] | tuple[str, ...], most: int = 5, between: str = ", ") -> str:
    """A list for people: the first few, and how many more there are."""
    more = f" and {len(items) - most} more" if len(items) > most else ""
    return between.join(items[:most]) + more
