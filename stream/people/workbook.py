"""XLSX (ECMA-376) as rows: one sheet's cells as they are seen in the spreadsheet.

A workbook comes from strangers: it is bounded before it is unpacked, and XML with a document type
declaration (the way to external and exploding entities) is refused before the library sees it.
"""

from __future__ import annotations

import io
import re
import threading
import warnings
import zipfile
import zlib
from collections.abc import Callable, Iterator
from datetime import date, datetime, time
from pathlib import Path
from typing import Any
from xml.parsers import expat

import openpyxl

from stream.people.errors import RosterError, some
from stream.people.table import ERRORS, MOST_COLUMNS, MOST_ROWS, Row, Table, make_rows

MARK = b"PK\x03\x04"
# chosen: 5,000 people in 30 columns take some 8 MB of XML.
LARGEST_XML = 32_000_000
# chosen: 5,000 people in 30 columns have 750,000; the library takes some 10 us for each.
MOST_TAGS = 1_000_000
MOST_PARTS = 2_000
MOST_SHEETS = 50
_FORMULA = re.compile(
    rb"</(?:\w+:)?f>\s*(?:<(?:\w+:)?v\s*/>|<(?:\w+:)?v></(?:\w+:)?v>)?\s*</(?:\w+:)?c>"
)
# Warnings are switched for the whole process; one workbook at a time.
_one_at_a_time = threading.Lock()


def is_workbook(path: Path) -> bool:
    """Whether a file is a workbook, whatever its name says."""
    with path.open("rb") as file:
        return file.read(len(MARK)) == MARK


def read_workbook(
    data: bytes, path: Path, fits: Callable[[tuple[Row, ...]], int], sheet: str | None = None
) -> Table:
    """Read the sheet of a workbook that looks most like a roster, or the one that is named.

    Args:
        data: the whole file.
        path: for the messages.
        fits: how many of a roster's columns are found in some rows; 0 for no header.
        sheet: the name of the sheet, where the user has said it.

    Raises:
        RosterError: it cannot be read, is larger than any roster, or has no such sheet.
    """
    formulas = _checked(data, path)
    with _one_at_a_time, warnings.catch_warnings():
        warnings.simplefilter("ignore")
        try:
            sheets = _sheets(data, path, sheet)
        except (RosterError, MemoryError):
            raise
        # The library raises whatever comes up where a file is damaged: its own, XML's, KeyError …
        except Exception as e:
            raise RosterError(
                f"{path} is damaged or no XLSX workbook ({type(e).__name__}); open it in a "
                "spreadsheet program and save it again."
            ) from e
    if not sheets:
        raise RosterError(f"{path} has no sheet with cells; give the roster itself.")
    ranked = [(fits(rows), -i) for i, (_, rows) in enumerate(sheets)]
    best = -max(ranked)[1]
    name, rows = sheets[best]
    notes: list[str] = []
    if sheet is None and len(sheets) > 1:
        others = [f"'{n}'" for n, _ in sheets if n != name]
        notes.append(f"the sheet '{name}' is read, not {some(others)}; --sheet names another")
    if formulas:
        notes.append(
            "some cells are formulas whose results are not in the file, so they are empty here; "
            "open it in a spreadsheet program and save it again"
        )
    return Table(rows, sheet=name, notes=tuple(notes), lacking=formulas)


def _too_much(path: Path) -> RosterError:
    return RosterError(
        f"{path} unpacks to far more than a roster; copy the list into a workbook of its own."
    )


def _checked(data: bytes, path: Path) -> bool:
    """Refuse what is too large or declares entities; say whether formulas lack their result."""
    formulas = False
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            parts = archive.infolist()
            names = [p.filename for p in parts]
            if "mimetype" in names and "xl/workbook.xml" not in names:
                raise RosterError(f"{path} is no XLSX workbook; save it as XLSX or 'CSV UTF-8'.")
            xml = [p for p in parts if p.filename.lower().endswith((".xml", ".rels", ".vml"))]
            if len(parts) > MOST_PARTS or sum(p.file_size for p in xml) > LARGEST_XML:
                raise _too_much(path)
            if len(set(names)) < len(names):
                raise RosterError(f"{path} holds a part twice; save it again as XLSX.")
            tags = 0
            for part in xml:
                inside = archive.read(part)
                tags += inside.count(b"<")
                if tags > MOST_TAGS:
                    raise _too_much(path)
                _plain_xml(inside, path)
                if part.filename.startswith("xl/worksheets/"):
                    formulas = formulas or _FORMULA.search(inside) is not None
    except (
        zipfile.BadZipFile, EOFError, OSError, NotImplementedError, RuntimeError, ValueError,
        zlib.error, UnicodeError,
    ) as e:  # fmt: skip
        raise RosterError(
            f"{path} is damaged, locked or no XLSX workbook; open it in a spreadsheet program and "
            "save it again without a password."
        ) from e
    return formulas


class _Begun(Exception):  # noqa: N818 - no error: the first element is reached
    pass


def _plain_xml(data: bytes, path: Path) -> None:
    """Read up to the first element; no document type may be declared there."""
    parser = expat.ParserCreate()

    def declared(*_: Any) -> None:
        raise RosterError(
            f"{path} declares entities, which no spreadsheet does; it is not opened. Save the list "
            "again as XLSX or 'CSV UTF-8'."
        )

    def begun(*_: Any) -> None:
        raise _Begun

    parser.StartDoctypeDeclHandler = declared
    parser.StartElementHandler = begun
    try:
        parser.Parse(data, True)
    except _Begun:
        pass
    except (expat.ExpatError, LookupError) as e:
        raise RosterError(
            f"{path} is damaged ({type(e).__name__}); open it in a spreadsheet program and save it "
            "again."
        ) from e


def _sheets(data: bytes, path: Path, wanted: str | None) -> list[tuple[str, tuple[Row, ...]]]:
    book = openpyxl.load_workbook(
        io.BytesIO(data), read_only=True, data_only=True, keep_links=False
    )
    try:
        visible = [s for s in book.worksheets if s.sheet_state == "visible"] or book.worksheets
        if wanted is not None:
            same = [s for s in book.worksheets if s.title == wanted]
            same = same or [s for s in book.worksheets if s.title.casefold() == wanted.casefold()]
            if not same:
                there = some([f"'{s.title}'" for s in visible])
                raise RosterError(f"{path} has no sheet '{wanted}' (it has {there}); name one.")
            visible = same[:1]
        found = []
        for sheet in visible[:MOST_SHEETS]:
            rows = make_rows(_lines(sheet), path)
            if rows or wanted is not None:
                found.append((str(sheet.title), rows))
        return found
    finally:
        book.close()


def _lines(sheet: Any) -> Iterator[tuple[int, list[str]]]:
    sheet.reset_dimensions()
    last = 0
    for number, cells in enumerate(sheet.iter_rows(max_col=MOST_COLUMNS), 1):
        texts = [_text(cell) for cell in cells]
        while texts and not texts[-1]:
            texts.pop()
        if texts:
            last = number
            yield number, texts
        elif number - last > MOST_ROWS:
            # Empty lines to the end of the sheet; formatting reaches there, people do not.
            return


def _text(cell: Any) -> str:
    """What a cell shows."""
    value = cell.value
    if value is None:
        return ""
    if cell.data_type == "e":
        # Nothing, yet no answer to a question of consent (see `Row.said`).
        return str(value) if value in ERRORS else ""
    if isinstance(value, bool):
        return "TRUE" if value else "FALSE"
    if isinstance(value, float) and value.is_integer() and abs(value) < 1e15:
        value = int(value)
    if isinstance(value, int):
        zeros = re.fullmatch(r'"?(0+)"?', str(cell.number_format or ""))
        # A format of zeros is how spreadsheets show a number as 007.
        return str(value).zfill(len(zeros[1])) if zeros and value >= 0 else str(value)
    if isinstance(value, float):
        # Spreadsheets keep 15 digits (common practice); more show only how numbers are stored.
        return format(value, ".15g")
    if isinstance(value, datetime):
        midnight = value.time() == time()
        return value.date().isoformat() if midnight else value.isoformat(" ", "minutes")
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, time):
        return value.isoformat("minutes")
    return str(value)
