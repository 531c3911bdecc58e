"""One person taken out of the roster's files; everything else in them stays as it is.

A text file keeps every other line byte for byte, whatever its encoding: the lines are cut out of
the bytes, and what is left must read as before but for those lines. In a workbook the cells of the
person's row are emptied, so that no formula, filter or format elsewhere moves.
"""

from __future__ import annotations

import codecs
import csv
import io
import re
import zipfile
from collections.abc import Collection
from pathlib import Path

import openpyxl

from stream.config import EventConfig
from stream.durable import replace_file, storing
from stream.layout import EventPaths
from stream.people.columns import Reading
from stream.people.current import roster_file
from stream.people.delimited import SHOWN
from stream.people.encoding import MARKS, decode
from stream.people.errors import RosterError
from stream.people.numbering import kept_numbers, with_kept_numbers
from stream.people.order_file import order_lines
from stream.people.roster import Roster
from stream.people.table import read_bytes
from stream.people.workbook import is_workbook

_LINE = re.compile(r"[^\r\n]*(?:\r\n|\r|\n)|[^\r\n]+\Z")
# What the library does not write back.
_LOST = re.compile(r"xl/(charts|drawings/[^/]+\.xml|embeddings|pivot|vbaProject|ctrlProps|slicer)")


def _by_hand(path: Path, why: str) -> RosterError:
    return RosterError(
        f"{path.name}: this person's line cannot be taken out here, since {why}; delete the line "
        "with the program that wrote the file, and forget the person again."
    )


def _carrier(encoding: str, data: bytes) -> str:
    """An encoding that gives the same bytes back, and in which the ends of lines can be seen."""
    plain = encoding.replace("_", "-")
    for wide in ("utf-16", "utf-32"):
        if plain.startswith(wide):
            if plain.endswith(("le", "be")):
                return plain
            marks = {"utf-16": codecs.BOM_UTF16_BE, "utf-32": codecs.BOM_UTF32_BE}
            return f"{wide}-{'be' if data.startswith(marks[wide]) else 'le'}"
    return "latin-1"


def _records(text: str, delimiter: str) -> dict[int, tuple[int, list[str]]]:
    """By the line where each record begins: the line where it ends, and its cells."""
    plain = text.replace("\r\n", "\n").replace("\r", "\n")
    reader = csv.reader(io.StringIO(plain, newline=""), delimiter=delimiter)
    found, begun = {}, 1
    for cells in reader:
        found[begun] = reader.line_num, cells
        begun = reader.line_num + 1
    return found


def without_lines(
    data: bytes, path: Path, lines: Collection[int], delimiter: str, encoding: str | None = None
) -> bytes:
    """A text file without some of its records.

    Args:
        data: the whole file.
        path: for the messages.
        lines: where the records begin, from 1.
        delimiter: between cells.
        encoding: of the file; None finds it out.

    Raises:
        RosterError: what would be left does not read as before.
    """
    decoded = decode(data, path, encoding)
    records = _records(decoded.text, delimiter)
    gone = {n for begin in lines for n in range(begin, records[begin][0] + 1)}
    mark = next((m for m, _ in MARKS if data.startswith(m)), b"")
    carrier = _carrier(decoded.encoding, data)
    pieces = _LINE.findall(data[len(mark) :].decode(carrier))
    left = "".join(p for n, p in enumerate(pieces, 1) if n not in gone)
    out = mark + left.encode(carrier)
    stay = [cells for begin, (_, cells) in records.items() if begin not in lines]
    try:
        again = decode(out, path, decoded.encoding).text if left else ""
        right = [cells for _, cells in _records(again, delimiter).values()] == stay
    except RosterError:
        right = False
    if not right:
        raise _by_hand(path, "its lines cannot be told apart for certain")
    return out


def without_row(data: bytes, path: Path, sheet: str | None, row: int) -> bytes:
    """A workbook whose row is empty in one sheet.

    Raises:
        RosterError: the workbook holds what would be lost by writing it.
    """
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        if any(_LOST.match(name) for name in archive.namelist()):
            raise _by_hand(path, "the workbook holds drawings, charts or macros")
    book = openpyxl.load_workbook(io.BytesIO(data), rich_text=True)
    cells = (c for s in book.worksheets for line in s.iter_rows() for c in line)
    if any(c.data_type == "f" for c in cells):
        # Written back without their results, which only a spreadsheet program can work out.
        raise _by_hand(path, "the workbook holds formulas")
    page = book[sheet] if sheet else book.worksheets[0]
    for cell in page[row]:
        if type(cell).__name__ != "MergedCell":
            cell.value = cell.hyperlink = cell.comment = None
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


def without_person(paths: EventPaths, number: str) -> dict[Path, bytes]:
    """What the roster's files are to be without a person, the roster itself last.

    Args:
        paths: of the event.
        number: the person's number; nobody need have it any longer.

    Returns:
        The new content of every file that changes.

    Raises:
        RosterError: a file cannot be read, or the person cannot be taken out of it.
    """
    out: dict[Path, bytes] = {}
    file = roster_file(paths)
    wanted = Reading.from_config(EventConfig.load(paths.config).roster)
    roster = Roster.load(file, wanted) if file else Roster()
    lines = roster.lines
    if roster.source.numbered:
        roster = with_kept_numbers(roster, paths.numbers)
    if paths.orders.exists():
        where, delimiter = order_lines(paths.orders, number, [p.number for p in roster])
        if where:
            data = read_bytes(paths.orders)
            out[paths.orders] = without_lines(data, paths.orders, where, delimiter)
    if paths.numbers.exists():
        where = [
            n for n, (kept, _, _) in enumerate(kept_numbers(paths.numbers), 2) if kept == number
        ]
        if where:
            data = paths.numbers.read_bytes()
            out[paths.numbers] = without_lines(data, paths.numbers, where, ",", "utf-8")
    at = next((n for p, n in zip(roster, lines, strict=True) if p.number == number), None)
    if file is not None and at is not None:
        data, source = read_bytes(file), roster.source
        if is_workbook(file):
            out[file] = without_row(data, file, source.sheet, at)
        else:
            words = {word: sign for sign, word in SHOWN.items()}
            delimiter = words.get(source.delimiter or "", source.delimiter or ",")
            out[file] = without_lines(data, file, (at,), delimiter, wanted.encoding)
    return out


def remove_person(paths: EventPaths, number: str) -> tuple[Path, ...]:
    """Take a person out of orders.csv, roster-numbers.csv and the roster.

    The roster goes last: where a run ends before, the person is still found by name.

    Args:
        paths: of the event.
        number: the person's number.

    Returns:
        The files that changed.

    Raises:
        RosterError: a file cannot be read, or the person cannot be taken out of it; then none was
            changed.
        StorageError: the disk did not take a file; doing it again goes on.
    """
    changed = without_person(paths, number)
    for path, data in changed.items():
        with storing(path.name, path.parent):
            replace_file(path, data)
    return tuple(changed)
