"""The roster: who may stand before the screen, from a CSV file as any spreadsheet writes it."""

from __future__ import annotations

import csv
import io
import unicodedata
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from stream.errors import UserError

NUMBER = ("number", "no", "nr", "num", "#", "id", "code", "card", "card number", "badge")
NAME = ("name", "full name", "person", "participant", "student", "guest", "pupil", "child")
FIRST = ("first name", "given name", "firstname", "forename")
LAST = ("last name", "family name", "surname", "lastname")
GROUP = ("group", "class", "team", "table", "form", "department", "grade")
# A spreadsheet's delimiters; the order settles a tie.
DELIMITERS = (";", ",", "\t", "|")
# Asked of nobody by hand: a larger file is some other file.
LARGEST_BYTES = 20_000_000


class RosterError(UserError):
    """The roster file cannot be used as it is; the sentence says why.

    Attributes:
        logged: the same without anything of the file, which may be a name of a person.
    """

    def __init__(self, sentence: str, logged: str | None = None) -> None:
        super().__init__(sentence)
        self.logged = logged or sentence


@dataclass(frozen=True)
class Person:
    """One line of the roster.

    Attributes:
        number: as written, so that '007' stays '007'.
        name: in Unicode NFC.
        group: class, team or table; may be empty.
        more: the file's other columns and what stands in them, for templates that write them.
    """

    number: str
    name: str
    group: str = ""
    more: tuple[tuple[str, str], ...] = ()

    @property
    def fields(self) -> dict[str, str]:
        """The texts that a template may ask for in braces."""
        return {**dict(self.more), "number": self.number, "name": self.name, "group": self.group}


def texts(people: Iterable[Person]) -> dict[str, str]:
    """The texts for a template, on the stage as in print: several people's joined by commas.

    Returns:
        What stands in each of the roster's columns; nothing where nobody is meant.
    """
    some = [p.fields for p in people]
    columns = dict.fromkeys(column for fields in some for column in fields)
    return {
        column: ", ".join(dict.fromkeys(f[column] for f in some if f.get(column)))
        for column in columns
    }


def folded(text: str) -> str:
    """Text as it is searched for: no case, no accents, single spaces."""
    parts = unicodedata.normalize("NFKD", text.casefold())
    return " ".join("".join(c for c in parts if not unicodedata.combining(c)).split())


def _decoded(data: bytes, path: Path) -> str:
    if data[:2] in (b"\xff\xfe", b"\xfe\xff"):
        encodings: tuple[str, ...] = ("utf-16",)
    else:
        encodings = ("utf-8-sig", "cp1252")
    for encoding in encodings:
        try:
            text = data.decode(encoding)
        except UnicodeDecodeError:
            continue
        if "\0" not in text:
            return text
    raise RosterError(
        f"{path} is no text that can be read as a roster (neither UTF-8, UTF-16 nor Windows "
        "western); save it from the spreadsheet as 'CSV UTF-8' and try again."
    )


def _cell(row: Sequence[str], index: int | None) -> str:
    if index is None or index >= len(row):
        return ""
    return unicodedata.normalize("NFC", " ".join(row[index].split()))


def _column(header: Sequence[str], spellings: Sequence[str]) -> int | None:
    plain = [folded(h).replace("_", " ").replace("-", " ").strip(" .:") for h in header]
    return next((plain.index(s) for s in spellings if s in plain), None)


def _some(items: Sequence[str], most: int = 5) -> str:
    more = f" and {len(items) - most} more" if len(items) > most else ""
    return ", ".join(items[:most]) + more


class Roster:
    """People in the order of their file."""

    def __init__(self, people: Sequence[Person] = ()) -> None:
        self.people = tuple(people)
        self._by_number = {p.number: p for p in self.people}

    def __len__(self) -> int:
        return len(self.people)

    def __iter__(self) -> Iterator[Person]:
        return iter(self.people)

    def get(self, number: str) -> Person | None:
        """The person with exactly this number, or None."""
        return self._by_number.get(number)

    def find(self, text: str) -> tuple[Person, ...]:
        """People by part of their name or number, the best match first.

        Case and accents do not matter. An exact number comes first, then numbers that begin
        with the text, then names with a word that begins with it, then any other match.
        """
        want = folded(text)
        if not want:
            return ()
        found: list[tuple[int, int, Person]] = []
        for order, person in enumerate(self.people):
            number, name = folded(person.number), folded(person.name)
            if number == want or (number.isdigit() and number.lstrip("0") == want.lstrip("0")):
                rank = 0
            elif name == want:
                rank = 1
            elif number.startswith(want):
                rank = 2
            elif name.startswith(want) or f" {want}" in name:
                rank = 3
            elif want in name or want in number:
                rank = 4
            else:
                continue
            found.append((rank, order, person))
        return tuple(p for _, _, p in sorted(found, key=lambda f: f[:2]))

    def one(self, text: str) -> Person:
        """The one person that ``text`` can mean.

        Raises:
            UserError: nobody or several people match.
        """
        exact = self.get(text.strip())
        if exact:
            return exact
        found = self.find(text)
        if len(found) == 1 or (found and folded(found[0].number) == folded(text)):
            return found[0]
        if not found:
            raise UserError(
                f"nobody on the roster has '{text}' in name or number (it has {len(self)} "
                "people); check the spelling or add the person to roster.csv."
            )
        raise UserError(
            f"'{text}' fits {len(found)} people on the roster "
            f"({_some([f'{p.number} {p.name}' for p in found])}); give the number of one."
        )

    @classmethod
    def parse(cls, text: str, path: Path) -> Roster:
        """Read the text of a CSV file; ``path`` stands in the messages.

        Raises:
            RosterError: columns are missing, or lines cannot be used; the sentence names them.
        """
        first = next((line for line in text.splitlines() if line.strip()), "")
        delimiter = max(DELIMITERS, key=lambda d: (first.count(d), -DELIMITERS.index(d)))
        try:
            lines = list(csv.reader(io.StringIO(text, newline=""), delimiter=delimiter))
        except csv.Error as e:
            raise RosterError(
                f"{path} cannot be read as a roster ({e}); save it again as CSV."
            ) from e
        rows = [(n, row) for n, row in enumerate(lines, 1) if any(c.strip() for c in row)]
        header = rows[0][1] if rows else []
        number, name, group = (_column(header, s) for s in (NUMBER, NAME, GROUP))
        given, family = _column(header, FIRST), _column(header, LAST)
        if number is None or (name is None and given is None and family is None):
            came = ", ".join(f"'{h.strip()}'" for h in header) or "no columns"
            need = f"{path}: the roster needs the columns number and name (and may have group)"
            mend = "name the columns so in its first line."
            raise RosterError(f"{need}, but {came} came; {mend}", f"{need}; {mend}")
        titles = [(i, _cell(header, i).casefold()) for i in range(len(header))]
        people: list[Person] = []
        seen: dict[str, list[int]] = {}
        lacking: list[str] = []
        for line, row in rows[1:]:
            whole = (
                _cell(row, name)
                if name is not None
                else " ".join(filter(None, (_cell(row, given), _cell(row, family))))
            )
            more = tuple((title, _cell(row, i)) for i, title in titles if title)
            person = Person(_cell(row, number), whole, _cell(row, group), more)
            if not person.number or not person.name:
                lacking.append(str(line))
                continue
            seen.setdefault(person.number, []).append(line)
            people.append(person)
        if lacking:
            raise RosterError(
                f"{path}: a number or a name is missing in line {_some(lacking)}; "
                "fill it in or delete the line."
            )
        twice = [f"{n} (lines {', '.join(map(str, at))})" for n, at in seen.items() if len(at) > 1]
        if twice:
            raise RosterError(
                f"{path}: every number may stand for one person only, but there is more than "
                f"one line with number {_some(twice)}; give each person a number of their own."
            )
        return cls(people)

    @classmethod
    def load(cls, path: Path) -> Roster:
        """Read a roster file: comma, semicolon or tab; UTF-8 with or without mark, or cp1252.

        Raises:
            RosterError: the file cannot be read or used; the sentence says why.
        """
        try:
            if path.stat().st_size > LARGEST_BYTES:
                raise RosterError(
                    f"{path} is far too large for a roster; give the CSV file itself."
                )
            data = path.read_bytes()
        except OSError as e:
            raise RosterError(
                f"the roster {path} cannot be opened ({e.strerror}); check name and place."
            ) from e
        return cls.parse(_decoded(data, path), path)
