"""A person of the roster, and the texts that people bring into a template."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cached_property

from stream.people.columns import folded
from stream.people.orders import Order

# A column with one of these in its title may hold a name, whatever stands in it.
_NAMING = re.compile(
    folded(
        r"name|nick|initial|mail|parent|guardian|mother|father|contact|address|login|user|account|"
        r"eltern|mutter|vater|nom\b|nombre|apellid|nome\b|cognom|imie|nazwisk|jmen|"
        r"имя|фамил|отчеств|ονομα|επωνυμ|\bשם|اسم|姓|名|이름|성명"
    )
)
# Inside longer words ("kossm2014") a shorter part of a name is chance.
_TELLING = 4
_UNPARTED = ("CJK", "HIRAGANA", "KATAKANA", "HANGUL", "THAI")
# Joined over people, each keeps a place of its own; in other columns the same is said once.
_EACH = ("number", "name", "names", "first", "last")


def _parted(word: str) -> bool:
    """Whether a word is of a script that parts its words by spaces: not of East Asia, not Thai."""
    return not any(unicodedata.name(c, "").startswith(_UNPARTED) for c in word)


def _two_alike(a: str, b: str) -> bool:
    """Whether two letters in a row are the same in both, syllables of Hangul being letters."""
    a, b = (unicodedata.normalize("NFC", t) for t in (a, b))
    return any(a[i : i + 2] in b for i in range(len(a) - 1))


def _without(name: str, part: str) -> str:
    """A name without the whole words of a part that begin or end it."""
    words, own = name.split(), part.split()
    for start in (0, len(words) - len(own)):
        if [folded(w).strip(",") for w in words[start : start + len(own)]] == [
            folded(w).strip(",") for w in own
        ]:
            return " ".join(words[:start] + words[start + len(own) :]).strip(" ,")
    return ""


@dataclass(frozen=True)
class Person:
    """One line of the roster.

    Attributes:
        number: as written, so that '007' stays '007'.
        name: in Unicode NFC.
        group: class, team or table; may be empty.
        more: the file's other columns and what stands in them, for templates that write them.
        first: given name; made from ``name`` where the roster has no column for it.
        last: family name; the same.
        orders: what they want; empty where nothing was ordered.
        no_name: the name is to be shown nowhere.
        no_gallery: their pictures stay out of galleries.
    """

    number: str
    name: str
    group: str = ""
    more: tuple[tuple[str, str], ...] = ()
    first: str = ""
    last: str = ""
    orders: tuple[Order, ...] = ()
    no_name: bool = False
    no_gallery: bool = False

    @property
    def shown_name(self) -> str:
        """The name where it may be shown: in pictures, file names and metadata; else empty."""
        return "" if self.no_name else self.name

    @cached_property
    def _parts(self) -> tuple[str, str]:
        if self.first and self.last:
            return self.first, self.last
        if "," in self.name:
            last, _, first = self.name.partition(",")
            return self.first or first.strip(), self.last or last.strip()
        if self.first:
            return self.first, _without(self.name, self.first)
        if self.last:
            return _without(self.name, self.last), self.last
        first, _, last = self.name.partition(" ")
        return first, last

    def _names_someone(self, text: str) -> bool:
        """Whether a text holds a word of the name, or the other way round.

        A longer word counts inside another, too, as in an address or a user's name; so does any
        part where names are written without spaces.
        """
        own = {w for w in re.split(r"\W+", folded(f"{self.name} {self.first} {self.last}")) if w}
        for word in filter(None, re.split(r"[\W_]+", folded(text))):
            if word in own and (len(word) > 1 or not _parted(word)):
                return True
            if any(len(w) >= _TELLING and w in word for w in own):
                return True
            if not _parted(word) and any(word in w or _two_alike(word, w) for w in own):
                return True
        return False

    @property
    def fields(self) -> dict[str, str]:
        """The texts that a template may ask for in braces.

        Without a name to show, every column that may hold it or a part of it is empty: by its
        title, or because a word of the name stands in it.
        """
        first, last = self._parts
        name = {"name": self.name, "names": self.name, "first": first, "last": last}
        own = {"number": self.number, "group": self.group, "count": "1"}
        if not self.no_name:
            return {**dict(self.more), **name, **own}
        more = {
            title: "" if _NAMING.search(folded(title)) or self._names_someone(text) else text
            for title, text in self.more
        }
        own = {k: "" if self._names_someone(text) else text for k, text in own.items()}
        return {**more, **dict.fromkeys(name, ""), **own}


def texts(people: Iterable[Person]) -> dict[str, str]:
    """The texts for a template, on the stage as in print: several people's joined by commas.

    Besides the roster's columns there are ``names`` (the same as ``name``), ``first`` and ``last``,
    and ``count``, how many people are meant. Who wants no name shown leaves no gap.

    Returns:
        What stands in each of the roster's columns; nothing where nobody is meant.
    """
    meant = tuple(people)
    some = [p.fields for p in meant]
    columns = dict.fromkeys(column for fields in some for column in fields)
    out = {}
    for column in columns:
        parts = [f[column] for f in some if f.get(column)]
        out[column] = ", ".join(parts if column in _EACH else dict.fromkeys(parts))
    return {**out, "count": str(len(meant))} if meant else {}
