"""A roster's file as rows of cells, whatever wrote it."""

from __future__ import annotations

import unicodedata
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from stream.people.errors import RosterError

# Asked of nobody by hand: a larger file is some other file.
LARGEST_BYTES = 20_000_000
LARGEST_TEXT = 8_000_000
MOST_ROWS = 20_000
# Empty ones, too.
MOST_LINES = 100_000
MOST_COLUMNS = 200
# What people print is a line; a longer cell is a broken quotation mark, or some other file.
LONGEST_CELL = 2_000
# ECMA-376 part 1, 18.18.11 (cell type e) and 18.17.3: what stands where a formula has no result.
ERRORS = frozenset(["#NULL!", "#DIV/0!", "#VALUE!", "#REF!", "#NAME?", "#NUM!", "#N/A"])


@dataclass(frozen=True)
class Row:
    """One line of the file.

    Attributes:
        line: its number, from 1.
        cells: each in NFC on one line.
        more: by column, cells of which that is not all: those of several lines, and those that the
            spreadsheet shows as an error.
    """

    line: int
    cells: tuple[str, ...]
    more: Mapping[int, str] = field(default_factory=dict)

    def cell(self, index: int | None) -> str:
        """What stands in a column; empty where the line is shorter."""
        return "" if index is None or index >= len(self.cells) else self.cells[index]

    def said(self, index: int | None) -> str:
        """The same with its line ends, or with the spreadsheet's error in place of nothing."""
        return self.cell(index) if index is None else self.more.get(index, self.cell(index))


@dataclass(frozen=True)
class Table:
    """The lines of a file, or of one sheet of it, that are not empty.

    Attributes:
        rows: in the order of the file.
        sheet: the sheet's name in a workbook.
        encoding: of a text file.
        guessed: the encoding was a guess.
        delimiter: of a text file.
        notes: what is worth knowing, a sentence each; without anything of the file's cells.
        lacking: some cells are empty here only because the file lacks their formulas' results.
    """

    rows: tuple[Row, ...]
    sheet: str | None = None
    encoding: str | None = None
    guessed: bool = False
    delimiter: str | None = None
    notes: tuple[str, ...] = ()
    lacking: bool = False


def clean(cell: str) -> str:
    """A cell's text on one line, composed, without what cannot be seen."""
    # Zero-width joiners stay: Persian and Indian names are spelled with them.
    kept = "".join(
        " " if unicodedata.category(c) in ("Cc", "Zl", "Zp", "Zs") else c
        for c in cell
        if c not in "\ufeff\u200b\u00ad\u2060" and unicodedata.category(c) != "Cs"
    )
    return unicodedata.normalize("NFC", " ".join(kept.split()))


def lined(cell: str) -> str:
    """The same with its line ends."""
    return "\n".join(filter(None, map(clean, cell.splitlines())))


def too_long(path: Path) -> RosterError:
    """What to say of more lines than any roster has."""
    return RosterError(
        f"{path} has more than {MOST_ROWS} lines, or far too long ones; give the roster itself."
    )


def make_rows(lines: Iterable[tuple[int, Sequence[str]]], path: Path) -> tuple[Row, ...]:
    """Rows of those lines that are not empty.

    Raises:
        RosterError: there are more, or larger ones, than any roster has.
    """
    rows: list[Row] = []
    for line, cells in lines:
        if len(cells) > MOST_COLUMNS and any(cells[MOST_COLUMNS:]):
            raise RosterError(
                f"{path}: line {line} has {len(cells)} columns and a roster at most "
                f"{MOST_COLUMNS}; give the roster itself."
            )
        if any(len(c) > LONGEST_CELL for c in cells):
            raise RosterError(
                f"{path}: a cell in line {line} is longer than {LONGEST_CELL} letters; look there "
                "for a quotation mark that is never closed."
            )
        cells = cells[:MOST_COLUMNS]
        wrong = {i: c for i, c in enumerate(cells) if c in ERRORS}
        plain = tuple("" if i in wrong else clean(c) for i, c in enumerate(cells))
        if any(plain):
            several = {i: lined(c) for i, c in enumerate(cells) if "\n" in c or "\r" in c}
            rows.append(Row(line, plain, {**several, **wrong}))
            if len(rows) > MOST_ROWS:
                raise too_long(path)
    return tuple(rows)


def read_bytes(path: Path) -> bytes:
    """A roster's file.

    Raises:
        RosterError: it cannot be opened, is too large, or is of a kind that holds no table.
    """
    try:
        if path.stat().st_size > LARGEST_BYTES:
            raise RosterError(f"{path} is far too large for a roster; give the roster itself.")
        data = path.read_bytes()
    except OSError as e:
        raise RosterError(
            f"the roster {path} cannot be opened ({e.strerror}); check name and place."
        ) from e
    head = data[:2048].lstrip()
    what = None
    if data.startswith(b"\xd0\xcf\x11\xe0"):
        what = "an old or locked spreadsheet (.xls)"
    elif data.startswith(b"%PDF"):
        what = "a PDF"
    elif head[:1] == b"<" and b"<html" in head.lower():
        what = "a web page"
    elif data.startswith(b"PK\x03\x04") and b"opendocument" in data[:200]:
        what = "an OpenDocument spreadsheet (.ods)"
    if what:
        raise RosterError(
            f"{path} is {what}; open it in a spreadsheet program and save it without a password as "
            "XLSX or 'CSV UTF-8'."
        )
    return data
