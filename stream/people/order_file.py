"""orders.csv: what people ordered, in a file of its own; several lines a person."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from pathlib import Path

from stream.people.columns import Columns, find_columns
from stream.people.delimited import read_delimited
from stream.people.encoding import decode
from stream.people.errors import RosterError
from stream.people.lines import read_order_cells
from stream.people.orders import Order, merged
from stream.people.person import Person
from stream.people.table import Row, read_bytes


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
    table = read_delimited(decode(read_bytes(path), path), path, _fit)
    columns = _columns(table.rows)
    if columns is None:
        raise RosterError(
            f"{path} needs the columns number, template, size and copies (all but the first may be "
            "missing, not all three); name them so in its first line."
        )
    known = {p.number: p for p in people}
    by_value: dict[str, str] = {}
    for n in known:
        if n.isdigit():
            value = n.lstrip("0")
            # '7' beside '007': without its zeros a number says nobody.
            by_value[value] = n if value not in by_value else ""
    doubts: list[str] = []
    orders: dict[str, list[Order]] = {}
    for row in table.rows[columns.header + 1 :]:
        written = row.cell(columns.places["number"])
        number = written if written in known else by_value.get(written.lstrip("0"), written)
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
