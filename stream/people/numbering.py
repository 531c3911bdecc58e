"""Numbers for a roster without any: given once and kept, so that a line moved moves no number.

A shot knows people by their numbers. Were these only counted again, a line put in the middle of the
file would put every later name under somebody else's picture.
"""

from __future__ import annotations

import csv
import io
from collections import defaultdict
from collections.abc import Sequence
from pathlib import Path

from stream.durable import replace_file, storing
from stream.people.columns import folded
from stream.people.errors import RosterError
from stream.people.person import Person
from stream.people.roster import Roster

TITLES = ("number", "name", "group")


def with_kept_numbers(roster: Roster, path: Path) -> Roster:
    """The roster with the numbers that its people were given before; new people get new ones.

    A person is known again by name and group, or by the name where that tells enough.

    Args:
        roster: one whose people were numbered in the order of its file.
        path: where the numbers are kept; written when somebody is new.

    Raises:
        RosterError: the kept numbers cannot be read.
        StorageError: the disk did not take them.
    """
    kept = kept_numbers(path) if path.exists() else []
    numbers = _matched(roster.people, kept)
    last = max((int(n) for n, _, _ in kept), default=0)
    fresh = []
    for i, person in enumerate(roster.people):
        if not numbers[i]:
            last += 1
            numbers[i] = str(last)
            fresh.append((numbers[i], person.name, person.group))
    if fresh:
        text = io.StringIO()
        csv.writer(text, lineterminator="\n").writerows([TITLES, *kept, *fresh])
        with storing("the numbers of the roster", path.parent):
            replace_file(path, text.getvalue().encode())
    return roster.numbered(numbers)


def kept_numbers(path: Path) -> list[tuple[str, str, str]]:
    """Number, name and group of everybody who was given a number, in the order of the file.

    Raises:
        RosterError: the file cannot be read.
    """
    try:
        rows = list(csv.reader(io.StringIO(path.read_text("utf-8"), newline="")))
        kept = [(n, name, group) for n, name, group in rows[1:]]
        if (
            tuple(rows[0]) != TITLES
            or any(not n.isdecimal() for n, _, _ in kept)
            or len({n for n, _, _ in kept}) < len(kept)
        ):
            raise ValueError
    except (OSError, ValueError, IndexError, csv.Error) as e:
        raise RosterError(
            f"{path} holds the numbers that people were given and cannot be read; put it back from "
            "a copy, or give the roster a column of numbers."
        ) from e
    return kept


def _matched(people: Sequence[Person], kept: Sequence[tuple[str, str, str]]) -> list[str]:
    numbers = [""] * len(people)
    # As written first: in one group Müller and Muller are two people.
    for alike in (str, folded):
        whole: dict[tuple[str, str], list[str]] = defaultdict(list)
        given = set(numbers)
        for number, name, group in kept:
            if number not in given:
                whole[alike(name), alike(group)].append(number)
        for i, person in enumerate(people):
            known = whole[alike(person.name), alike(person.group)]
            if known and not numbers[i]:
                numbers[i] = known.pop(0)
    # A person who changed the group keeps the number, where only one can be meant.
    left: dict[str, list[str]] = defaultdict(list)
    taken = set(numbers)
    for number, name, _ in kept:
        if number not in taken:
            left[folded(name)].append(number)
    seeking: dict[str, list[int]] = defaultdict(list)
    for i, person in enumerate(people):
        if not numbers[i]:
            seeking[folded(person.name)].append(i)
    for name, places in seeking.items():
        if len(places) == 1 and len(left[name]) == 1:
            numbers[places[0]] = left[name][0]
    return numbers
