"""Delimited text (RFC 4180, and what spreadsheets make of it) as rows."""

from __future__ import annotations

import csv
import io
import re
from collections import Counter
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

from stream.people.encoding import Decoded
from stream.people.errors import RosterError
from stream.people.table import LARGEST_TEXT, MOST_LINES, Row, Table, make_rows, too_long

# A spreadsheet's delimiters; the order settles a tie.
USUAL = (";", ",", "\t", "|")
# Taken only where header and lines speak for it: they stand in names and dates, too.
UNUSUAL = ("^", "~", ":", "\x1f", "¦", "§", "#", "!", "/", "*")
SHOWN = {"\t": "tab", ";": "semicolon", ",": "comma", "|": "pipe"}


def read_delimited(decoded: Decoded, path: Path, fits: Callable[[tuple[Row, ...]], int]) -> Table:
    """Read text at the delimiter under which it looks most like a roster.

    Args:
        decoded: the file's text.
        path: for the messages.
        fits: how many of a roster's columns are found in some rows; 0 for no header.

    Raises:
        RosterError: a quotation mark is never closed, or there is more than any roster has.
    """
    text = decoded.text
    if len(text) > LARGEST_TEXT or text.count("\n") + text.count("\r") > 2 * MOST_LINES:
        raise too_long(path)
    stated = re.match(r"sep=(.)\r?\n", text, re.IGNORECASE)
    if stated:
        # A first line that some spreadsheets write for each other.
        rows = _rows(text[stated.end() :], stated[1], path, before=1)
        return _table(rows, stated[1], decoded, ())
    best: tuple[tuple[int, float, int], str, tuple[Row, ...]] | None = None
    failed: RosterError | None = None
    for order, delimiter in enumerate(USUAL):
        if delimiter not in text and order:
            continue
        try:
            rows = _rows(text, delimiter, path)
        except RosterError as e:
            failed = failed or e
            continue
        rank = (fits(rows), _evenness(rows), -order)
        if best is None or rank > best[0]:
            best = rank, delimiter, rows
    if best is None or best[0][0] < 2:
        for delimiter in UNUSUAL:
            if text.count(delimiter) < 2:
                continue
            try:
                rows = _rows(text, delimiter, path)
            except RosterError:
                continue
            found = fits(rows)
            if found >= 2 and _evenness(rows) >= 0.75 and (best is None or found > best[0][0]):
                note = f"the columns are taken to be parted by '{delimiter}'"
                return _table(rows, delimiter, decoded, (note,))
    if best is None:
        raise failed or RosterError(f"{path} is empty; give the roster.")
    if failed and best[0][0] < 2:
        raise failed
    return _table(best[2], best[1], decoded, ())


def _table(rows: tuple[Row, ...], delimiter: str, source: Decoded, notes: tuple[str, ...]) -> Table:
    return Table(
        rows,
        encoding=source.encoding,
        guessed=source.guessed,
        delimiter=SHOWN.get(delimiter, delimiter),
        notes=notes,
    )


def _evenness(rows: tuple[Row, ...]) -> float:
    """The share of rows that have the commonest number of cells, where that is more than one."""
    counts = Counter(len(r.cells) for r in rows if len(r.cells) > 1)
    return counts.most_common(1)[0][1] / len(rows) if counts else 0.0


def _rows(text: str, delimiter: str, path: Path, before: int = 0) -> tuple[Row, ...]:
    # A lone CR ends a line on old systems; the csv module wants the ends as they are, or all alike.
    plain = text.replace("\r\n", "\n").replace("\r", "\n")
    reader = csv.reader(io.StringIO(plain, newline=""), delimiter=delimiter)
    try:
        return make_rows(_records(reader, delimiter, path, before), path)
    except csv.Error as e:
        raise RosterError(
            f"{path}: near line {reader.line_num + before} a cell never ends ({e}); look there "
            "for a quotation mark that is not closed, or save it again as 'CSV UTF-8'."
        ) from e


def _records(
    reader: Any, delimiter: str, path: Path, before: int
) -> Iterator[tuple[int, list[str]]]:
    """Each record with the line where it begins."""
    begun = 1
    for cells in reader:
        swallowed = any(
            rest.count(delimiter) >= max(1, len(cells) - 1)
            for cell in cells
            if "\n" in cell
            for rest in cell.split("\n")[1:]
        )
        if swallowed or (reader.line_num - begun > 40):
            raise RosterError(
                f"{path}: a quotation mark in line {begun + before} is not closed before line "
                f"{reader.line_num + before}, so the lines between are no lines of their own; "
                "close or delete it."
            )
        yield begun + before, cells
        begun = reader.line_num + 1
