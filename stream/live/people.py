"""Who is in the next shots, and the texts that they bring into the scene."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from stream.errors import UserError
from stream.event import Event
from stream.people import Person
from stream.people import texts as texts

# chosen: what fits on a small screen without scrolling for long.
MOST_FOUND = 12
# More people than that do not fit before a screen; a longer list is a mistake.
MOST_PEOPLE = 40


def chosen(event: Event, words: Sequence[str]) -> tuple[Person, ...]:
    """The people meant by numbers or names, each once, in order.

    Raises:
        UserError: one of the words means nobody or several people.
    """
    if len(words) > MOST_PEOPLE:
        raise UserError(f"{len(words)} people were given; at most {MOST_PEOPLE} go into one shot.")
    roster = event.roster
    found = [roster.one(word) for word in words]
    return tuple(dict.fromkeys(found))


def plain(person: Person) -> dict[str, Any]:
    """A person as JSON values, for the operator alone: the name stands there in any case."""
    return {
        "number": person.number,
        "name": person.name,
        "group": person.group,
        "no_name": person.no_name,
    }


def found(event: Event, words: str) -> list[dict[str, Any]]:
    """People of the roster that fit the words, best first, a few."""
    return [plain(p) for p in event.roster.find(words)[:MOST_FOUND]]
