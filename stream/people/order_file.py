"""orders.csv: what people ordered, in a file of its own; several lines a person."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Sequence
from dataclasses import replace
from pathlib import Path

from stream.people.columns import Columns, find_columns
from stream.people.delimited import SHOWN, read_delimited
from stream.people.encoding import decode
from stream.people.errors import RosterError
from stream.people.lines import read_order_cells
from stream.people.orders import Order, merged
from stream.people.person import Person
from stream.people.table import Row, Table, read_bytes


def _columns(rows: Sequence[Row]) -> Columns | None:
    # Nobody is named here: the number says who.
    for index, row in enumerate(rows[:10]):
        found = find_columns([Row(row.line, (*row.cells, "name"))], {})
        if found and "number" in found.places and set(found.places) & _WHAT:
            places = {r: p for r, p in found.places.items() if p < len(row.cells)}
            return Columns(row.cells, places, index)
    return None


_WHAT = {"template", "size", "copies", "order"}


def _fit(rows: Sequence[Row]) -> int:
    columns = _columns(rows)
    return len(columns.places) if columns else 0


def _read(path: Path) -> tuple[Table, Columns]:
    table = read_delimited(decode(read_bytes(path), path), path, _fit)
    columns = _columns(table.rows)
    if columns is None:
        raise RosterError(
            f"{path} needs the columns number, template, size and copies (all but the first may be "
            "missing, not all three); name them so in its first line."
        )
    return table, columns


def _numbered(
    table: Table, columns: Columns, known: Collection[str]
) -> Iterator[tuple[Row, str, str]]:
    """Each line with its number as written, and as the roster has it."""
    by_value: dict[str, str] = {}
    for number in known:
        if number.isdigit():
            value = number.lstrip("0")
            # '7' beside '007': without its zeros a number says nobody.
            by_value[value] = number if value not in by_value else ""
    for row in table.rows[columns.header + 1 :]:
        written = row.cell(columns.places["number"])
        number = written if written in known else by_value.get(written.lstrip("0"), written)
        yield row, written, number


def order_lines(path: Path, number: str, known: Collection[str]) -> tuple[list[int], str]:
    """Where the orders of one person stand.

    Args:
        path: orders.csv.
        number: of the person.
        known: the numbers of the roster.

    Returns:
        The lines where they begin, from 1, and what parts the file's cells.

    Raises:
        RosterError: as `read_orders`.
    """
    table, columns = _read(path)
    words = {word: sign for sign, word in SHOWN.items()}
    delimiter = table.delimiter or ","
    lines = [row.line for row, _, whose in _numbered(table, columns, known) if whose == number]
    return lines, words.get(delimiter, delimiter)


def read_orders(
    people: Iterable[Person], path: Path, templates: Sequence[str] | None
) -> tuple[tuple[Person, ...], tuple[str, ...]]:
    """The people with what orders.csv says; for whom it has lines, it stands for the roster's own.

    Args:
        people: of the roster.
        path: orders.csv.
        templates: names of the event's templates; None where they are not known.

    Returns:
        The people, and what was not understood, a sentence each.

    Raises:
        RosterError: the file has no column for the number, or none for an order.
    """
    table, columns = _read(path)
    known = {p.number: p for p in people}
    doubts: list[str] = []
    orders: dict[str, list[Order]] = {}
    for row, written, number in _numbered(table, columns, known):
        if number not in known:
            doubts.append(f"{path.name} line {row.line}: number '{written}' is not on the roster")
            continue
        cells = {role: row.said(columns.places.get(role)) for role in _WHAT}
        some, wrong = read_order_cells(cells, templates)
        doubts += [f"{path.name} line {row.line} (number {number}): {w}" for w in wrong]
        orders.setdefault(number, []).extend(some)
    return tuple(
        replace(p, orders=merged(orders[p.number])) if p.number in orders else p
        for p in known.values()
    ), tuple(doubts)
