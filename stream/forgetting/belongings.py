"""Whose the shots of an event are: one person's, several people's, or laid beside others'."""

from __future__ import annotations

import unicodedata
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from stream.event import Event
from stream.file_name import safe_name
from stream.people import folded
from stream.shot import Shot, readable_shots


@dataclass(frozen=True)
class Belongings:
    """The shots of a person, by their roster number.

    Attributes:
        alone: nobody else is in them, as far as was said, and no picture shows them beside others.
        group: others are in the same frame.
        laid: this person alone is in the frame, and a picture shows it beside others' frames.
        beside: frames of others, whose pictures show one of this person's beside them.
        named: shots of others, of which an earlier picture has this person's name.
        unread: ids of shots whose record cannot be read, so that nobody knows whose they are.
    """

    alone: tuple[Shot, ...] = ()
    group: tuple[Shot, ...] = ()
    laid: tuple[Shot, ...] = ()
    beside: tuple[Shot, ...] = ()
    named: tuple[Shot, ...] = ()
    unread: tuple[str, ...] = ()

    @property
    def asked(self) -> tuple[Shot, ...]:
        """Shots that concern others, too, so that somebody has to decide."""
        return (*self.group, *self.laid)

    @property
    def every(self) -> tuple[Shot, ...]:
        """All shots that something is to be done with."""
        return (*self.alone, *self.group, *self.laid, *self.beside, *self.named)


def belongings(event: Event, number: str, name: str = "") -> Belongings:
    """The shots that a person is in, is laid into, or was once named in.

    Args:
        event: the event.
        number: the person's number.
        name: the person's name, where it is known.
    """
    every, unread = readable_shots(event)
    own = {i for i, s in every.items() if number in s.people}
    # Of a frame with nobody else in it, whether any picture has it beside somebody else's.
    mixed = {
        one
        for shot in every.values()
        for one in (shot.id, *shot.beside)
        if one in own and any(b in every and b not in own for b in (shot.id, *shot.beside))
    }
    alone: list[Shot] = []
    group: list[Shot] = []
    laid: list[Shot] = []
    beside: list[Shot] = []
    named: list[Shot] = []
    for shot in every.values():
        if shot.id in own:
            single = set(shot.people) == {number}
            (group if not single else laid if shot.id in mixed else alone).append(shot)
        elif any(b in own for b in shot.beside):
            beside.append(shot)
        elif name and named_in(event, shot.picture_names, shot.people, name):
            named.append(shot)
    return Belongings(tuple(alone), tuple(group), tuple(laid), tuple(beside), tuple(named), unread)


def _plain(text: str) -> str:
    return unicodedata.normalize("NFC", text).casefold()


def named_in(event: Event, files: Iterable[str], people: Iterable[str], name: str) -> bool:
    """Whether others' files have a name, and nobody of them is called so or longer.

    Args:
        event: the event.
        files: the files' names.
        people: roster numbers of whose they are.
        name: the name.
    """
    spelled = _plain(safe_name(name))
    if not spelled or not any(spelled in _plain(f) for f in files):
        return False
    known = (event.roster.get(p) for p in people)
    return not any(spelled in _plain(safe_name(p.name)) for p in known if p)


def same_named(event: Event, number: str, name: str) -> Mapping[str, str]:
    """Others on the roster with the same name: their groups by their numbers."""
    want = folded(name)
    return {
        p.number: p.group for p in event.roster if p.number != number and folded(p.name) == want
    }
