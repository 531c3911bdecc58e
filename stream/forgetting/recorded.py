"""Whose the takes of an event are, and what stays of one without a person's name."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace

from stream.event import Event
from stream.forgetting.belongings import named_in
from stream.take import Take, readable_takes
from stream.take.titling import film_names, titled


@dataclass(frozen=True)
class Recorded:
    """The takes of a person, by their roster number.

    Attributes:
        alone: nobody else is in them, as far as was said.
        group: others are in them, too, so that somebody has to decide.
        named: takes of others, of which a film has this person's name.
        unread: ids of takes whose record cannot be read, so that nobody knows whose they are.
    """

    alone: tuple[Take, ...] = ()
    group: tuple[Take, ...] = ()
    named: tuple[Take, ...] = ()
    unread: tuple[str, ...] = ()

    @property
    def every(self) -> tuple[Take, ...]:
        """All takes that something is to be done with."""
        return (*self.alone, *self.group, *self.named)


def recorded(event: Event, number: str, name: str = "") -> Recorded:
    """The takes that a person is in, or of which a film has the name.

    Args:
        event: the event.
        number: the person's number.
        name: the person's name, where it is known.
    """
    every, unread = readable_takes(event)
    alone: list[Take] = []
    group: list[Take] = []
    named: list[Take] = []
    for take in every.values():
        if number in take.people:
            (alone if set(take.people) == {number} else group).append(take)
        elif name and named_in(event, film_names(take), take.people, name):
            named.append(take)
    return Recorded(tuple(alone), tuple(group), tuple(named), unread)


def take_without(event: Event, take: Take, number: str | None) -> Take:
    """A take that stays, its films to be made once more under new names.

    Args:
        event: the event, whose lock the caller holds; the films that were made are gone.
        take: the take.
        number: of the person who is taken out of it; None for nobody.
    """
    notes = take.notes
    if number is not None:
        says = re.compile(rf"(?<![\w-]){re.escape(number)}(?![\w-])")
        notes = tuple(n for n in notes if not says.search(n))
    shapes = [f.shape for f in take.films]
    bare = replace(
        take,
        people=tuple(p for p in take.people if p != number),
        notes=notes,
        films=(),
        former_films=(),
        render=take.render + 1,
    )
    return titled(event, bare, shapes)
