"""The roster: who may stand before the screen, from the file that a school or league sent."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

from stream.errors import UserError
from stream.people.columns import (
    FLAGS,
    Reading,
    check_mapped,
    find_columns,
    folded,
    header_fit,
    no_columns,
)
from stream.people.delimited import read_delimited
from stream.people.encoding import decode, shown_encoding
from stream.people.errors import RosterError, some
from stream.people.lines import read_people, titled
from stream.people.order_file import read_orders
from stream.people.person import Person
from stream.people.table import Row, Table, read_bytes
from stream.people.workbook import MARK, read_workbook


@dataclass(frozen=True)
class Source:
    """How a roster's file was read.

    Attributes:
        titles: the file's title for each role that was found.
        others: titles of the columns that have no role; templates may write them.
        encoding: of a text file, as spreadsheets call it.
        guessed: the encoding was a guess, and letters may be wrong.
        delimiter: of a text file, as a word.
        sheet: of a workbook.
        numbered: the file has no numbers, and the people were numbered in its order.
    """

    titles: Mapping[str, str] = field(default_factory=dict)
    others: tuple[str, ...] = ()
    encoding: str | None = None
    guessed: bool = False
    delimiter: str | None = None
    sheet: str | None = None
    numbered: bool = False


class Roster:
    """People in the order of their file.

    Attributes:
        people: all of them.
        source: how the file was read.
        notes: what is worth knowing, a sentence each.
        doubts: what was not understood and should be looked at, a sentence each.
        lines: where each person begins in the file, from 1.
    """

    def __init__(
        self,
        people: Sequence[Person] = (),
        source: Source | None = None,
        notes: Sequence[str] = (),
        doubts: Sequence[str] = (),
        lines: Sequence[int] = (),
    ) -> None:
        self.people = tuple(people)
        self.lines = tuple(lines)
        self.source = source or Source()
        self.notes = tuple(notes)
        self.doubts = tuple(doubts)
        self._by_number = {p.number: p for p in self.people}

    def __len__(self) -> int:
        return len(self.people)

    def __iter__(self) -> Iterator[Person]:
        return iter(self.people)

    def get(self, number: str) -> Person | None:
        """The person with exactly this number, or None."""
        return self._by_number.get(number)

    def find(self, text: str) -> tuple[Person, ...]:
        """People by part of their name, number or group, the best match first.

        Case and accents do not matter. An exact number comes first, then an exact name, numbers
        that begin with the text, names with a word that begins with it (or with words that begin
        with each of its words), any other match in name or number, and groups last.
        """
        want = folded(text)
        if not want:
            return ()
        found: list[tuple[int, int, Person]] = []
        for order, person in enumerate(self.people):
            rank = _rank(want, person)
            if rank is not None:
                found.append((rank, order, person))
        return tuple(p for _, _, p in sorted(found, key=lambda f: f[:2]))

    def one(self, text: str) -> Person:
        """The one person that ``text`` can mean.

        A part of a number or from the middle of a word finds people, but means nobody: a slip of
        the finger would put another's name under a picture.

        Raises:
            UserError: nobody or several people match.
        """
        exact = self.get(text.strip())
        if exact:
            return exact
        found = self.find(text)
        if len(found) == 1 and _rank(folded(text), found[0]) not in _SURE:
            only = found[0]
            raise UserError(
                f"nobody on the roster has '{text}' as number, or as a name or the beginning of "
                f"one; if {only.number} {only.name} is meant, give that number."
            )
        if len(found) == 1 or (found and folded(found[0].number) == folded(text)):
            return found[0]
        if not found:
            raise UserError(
                f"nobody on the roster has '{text}' in name or number (it has {len(self)} "
                "people); check the spelling or add the person to the roster."
            )
        raise UserError(
            f"'{text}' fits {len(found)} people on the roster "
            f"({some([f'{p.number} {p.name}' for p in found])}); give the number of one."
        )

    @classmethod
    def load(
        cls,
        path: Path,
        wanted: Reading | None = None,
        *,
        templates: Sequence[str] | None = None,
    ) -> Roster:
        """Read a roster file: delimited text in any encoding, or an XLSX workbook.

        Args:
            path: the file.
            wanted: columns, encoding and sheet where the user has said them.
            templates: names of the event's templates, for the orders; None: not known.

        Raises:
            RosterError: the file cannot be read or used; the sentence says why.
        """
        wanted = wanted or Reading()
        table = _table(path, wanted)
        columns = find_columns(table.rows, wanted.columns)
        if columns is None:
            raise no_columns(table.rows, wanted.columns, path)
        check_mapped(columns, table.rows, wanted.columns, path)
        flags = [columns.title(role) for role in FLAGS if role in columns.places]
        if table.lacking and flags:
            # An answer to the question of consent may be among what is empty.
            raise RosterError(
                f"{path}: some cells are formulas whose results are not in the file, and "
                f"{some([repr(t) for t in flags])} says what may be shown of people; open it in a "
                "spreadsheet program and save it again."
            )
        found = read_people(table.rows, columns, path, mapped=wanted.columns, templates=templates)
        columns = found.columns
        taken = set(columns.places.values())
        source = Source(
            titled(columns),
            tuple(t for i, t in enumerate(columns.titles) if t and i not in taken),
            shown_encoding(table.encoding) if table.encoding else None,
            table.guessed,
            table.delimiter,
            table.sheet,
            "number" not in columns.places,
        )
        return cls(
            found.people, source, (*_said(table, source), *found.notes), found.doubts, found.lines
        )

    def numbered(self, numbers: Sequence[str]) -> Roster:
        """The same people with other numbers, one each, in their order."""
        people = [replace(p, number=n) for p, n in zip(self.people, numbers, strict=True)]
        return Roster(people, self.source, self.notes, self.doubts, self.lines)

    def with_orders(self, path: Path, templates: Sequence[str] | None = None) -> Roster:
        """The same people with what a file of orders says (see `stream.people.order_file`).

        Raises:
            RosterError: the file cannot be used.
        """
        people, doubts = read_orders(self.people, path, templates)
        return Roster(people, self.source, self.notes, (*self.doubts, *doubts), self.lines)


def _table(path: Path, wanted: Reading) -> Table:
    def fits(rows: tuple[Row, ...]) -> int:
        return header_fit(rows, wanted.columns)

    data = read_bytes(path)
    if data.startswith(MARK):
        return read_workbook(data, path, fits, wanted.sheet)
    return read_delimited(decode(data, path, wanted.encoding), path, fits)


def _said(table: Table, source: Source) -> list[str]:
    out = list(table.notes)
    if source.guessed:
        out.append(
            f"the encoding {source.encoding} is a guess: look whether accents and letters are "
            "right, else name it with --encoding"
        )
    if source.numbered:
        out.append(
            "the file has no column of numbers, so people were numbered in its order from 1; in "
            "the event each keeps the number (roster-numbers.csv), wherever the line moves"
        )
    return out


# Of `_rank`: a whole number, a name or its words' beginnings, a whole group.
_SURE = (0, 1, 3, 5)


def _rank(want: str, person: Person) -> int | None:
    number, name, group = folded(person.number), folded(person.name), folded(person.group)
    if number == want or (number.isdigit() and number.lstrip("0") == want.lstrip("0")):
        return 0
    if name == want:
        return 1
    if number.startswith(want):
        return 2
    if name.startswith(want) or f" {want}" in name:
        return 3
    words = name.split()
    if all(any(w.startswith(part) for w in words) for part in want.split()):
        return 3
    if want in name or want in number:
        return 4
    if group == want:
        return 5
    return 6 if group.startswith(want) or f" {want}" in group else 7 if want in group else None
