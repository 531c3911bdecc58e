"""A table's lines as people: what is missing or twice is told in one go."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

from stream.people.columns import FLAGS, Columns, folded, unread_consents
from stream.people.errors import RosterError, some
from stream.people.flags import read_flag
from stream.people.orders import (
    MOST_COPIES,
    Order,
    merged,
    offered,
    parted,
    read_copies,
    read_order,
    read_size,
    read_template,
)
from stream.people.person import Person
from stream.people.table import Row

_TOTAL = re.compile(
    r"(grand )?(totals?|sum|count|summe|gesamt|anzahl|suma|razem|totale|totaux|totaal|celkem|"
    r"итого|всего|合計|合计|总计|합계)\b"
)
_ORDER_ROLES = ("template", "size", "copies")


@dataclass
class Found:
    """What was read: people, and what is to be told.

    Attributes:
        people: in the order of the file.
        lines: where each of them begins in the file, from 1.
        notes: what is worth knowing, a sentence each.
        doubts: what was not understood, a sentence each, with line and number.
        passed: numbers of lines that are no people, such as totals.
        columns: what is taken as what, after a look at the lines.
    """

    people: list[Person] = field(default_factory=list)
    lines: list[int] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    doubts: list[str] = field(default_factory=list)
    passed: list[int] = field(default_factory=list)
    columns: Columns = field(default_factory=lambda: Columns((), {}, -1))


def read_people(
    rows: Sequence[Row],
    columns: Columns,
    path: Path,
    *,
    mapped: Mapping[str, str],
    templates: Sequence[str] | None,
) -> Found:
    """Read every line below the header.

    Args:
        rows: the file's lines that are not empty.
        columns: which column is which.
        path: for the messages.
        mapped: the roles that the user mapped; what was only recognised is taken with care.
        templates: names of the event's templates; None where they are not known.

    Raises:
        RosterError: lines without number or name, or numbers that stand for several people; all
            are named.
    """
    found = Found()
    header = rows[columns.header].cells if columns.header >= 0 else ()
    below = rows[columns.header + 1 :]
    if "name" not in mapped:
        columns = _with_parted_names(columns, below, found)
    columns = _without_other_sizes(columns, below, mapped, templates, found)
    found.columns, places = columns, columns.places
    lacking: list[str] = []
    seen: dict[str, list[int]] = {}
    lines: list[tuple[Row, str, str]] = []
    for row in below:
        whole = row.cell(places.get("name")) or " ".join(
            filter(None, (row.cell(places.get("first")), row.cell(places.get("last"))))
        )
        number = row.cell(places["number"]) if "number" in places else str(len(lines) + 1)
        written = "number" not in places or number
        if row.cells == header or _is_total(row, whole, bool("number" in places and number)):
            found.passed.append(row.line)
        elif not written or not whole:
            what = " and ".join(w for w, has in (("number", written), ("name", whole)) if not has)
            lacking.append(f"line {row.line} has no {what}")
        else:
            seen.setdefault(number, []).append(row.line)
            lines.append((row, number, whole))
    twice = {n: at for n, at in seen.items() if len(at) > 1}
    _refuse(path, lacking, twice)
    titles = [(i, t.casefold()) for i, t in enumerate(columns.titles) if t]
    for row, number, whole in lines:
        orders, doubts = _orders(row, places, templates)
        no_name, no_gallery = _flags(row, columns, doubts)
        whose = f" (number {number})" if "number" in places else ""
        found.doubts += [f"line {row.line}{whose}: {d}" for d in doubts]
        found.lines.append(row.line)
        found.people.append(
            Person(
                number,
                whole,
                row.cell(places.get("group")),
                tuple((title, row.cell(i)) for i, title in titles),
                first=row.cell(places.get("first")),
                last=row.cell(places.get("last")),
                orders=orders,
                no_name=no_name,
                no_gallery=no_gallery,
            )
        )
    found.doubts += [
        f"the column '{title}' seems to say what may be shown of people and is not read; say what "
        "it means with 'posewall roster map', as one of "
        f"{', '.join(FLAGS)} ('consent' is a yes that shows, the others a yes that hides)"
        for title in unread_consents(columns)
    ]
    if "number" not in places:
        found.doubts += _alike(found.people, lines)
    if not found.people:
        found.notes.append("nobody stands below the titles")
    if found.passed:
        many = "lines" if len(found.passed) > 1 else "line"
        lines_passed = some([str(n) for n in found.passed])
        found.notes.append(f"{many} {lines_passed} passed over (totals or titles, no people)")
    return found


def _alike(people: Sequence[Person], lines: Sequence[tuple[Row, str, str]]) -> list[str]:
    """People whom nothing tells apart; flags and orders of one could go to another."""
    same: dict[tuple[str, str], list[str]] = {}
    for person, (row, _, _) in zip(people, lines, strict=True):
        same.setdefault((person.name, person.group), []).append(str(row.line))
    return [
        f"lines {some(at, 20)} have the same name and group, and nothing tells these people apart "
        "when a line moves; give the roster a column of numbers"
        for at in same.values()
        if len(at) > 1
    ]


def _refuse(path: Path, lacking: list[str], twice: Mapping[str, list[int]]) -> None:
    wrong = []
    if lacking:
        wrong.append(f"{some(lacking, 20)}: fill it in or delete the line")
    if twice:
        named = [f"{n} (lines {', '.join(map(str, at))})" for n, at in twice.items()]
        wrong.append(
            "every number may stand for one person only, but there is more than one line with "
            f"number {some(named, 20)}: give each person a number of their own"
        )
    if wrong:
        count = len(lacking) + len(twice)
        raise RosterError(
            f"{path}: {'; '.join(wrong)}.",
            f"{path.name}: {count} numbers or names are missing or stand twice.",
        )


def _has_letters(text: str) -> bool:
    return any(c.isalpha() for c in text)


def _is_total(row: Row, whole: str, numbered: bool) -> bool:
    """A line that counts people; never one that has a number and a name.

    'Suma Reddy; 4A' is a person, though 'suma' is a sum in Polish: what counts has no other words
    than what it says of itself ("Total players: 2"), and nothing beside it but numbers.
    """
    if numbered and _has_letters(whole):
        return False
    spoken = [folded(cell) for cell in row.cells if _has_letters(cell)]
    match = _TOTAL.match(spoken[0]) if len(spoken) == 1 else None
    if match is None:
        return False
    rest = spoken[0][match.end() :]
    return not _has_letters(rest) or any(c.isdigit() for c in rest)


def _with_parted_names(columns: Columns, rows: Sequence[Row], found: Found) -> Columns:
    """A 'Name' beside a first name is the family's in many countries, and the other way round."""
    places = dict(columns.places)
    if "name" not in places or ("first" in places) == ("last" in places):
        return columns
    beside, other = ("first", "last") if "first" in places else ("last", "first")
    pairs = [(folded(r.cell(places["name"])), folded(r.cell(places[beside]))) for r in rows]
    both = [(name, part) for name, part in pairs if name and part]
    if 2 * sum(part in name for name, part in both) >= len(both):
        return columns
    what = "family name" if other == "last" else "first name"
    found.notes.append(
        f"the column '{columns.title('name')}' is taken as the {what}, since "
        f"'{columns.title(beside)}' stands beside it"
    )
    places[other] = places.pop("name")
    return replace(columns, places=places)


def _without_other_sizes(
    columns: Columns,
    rows: Sequence[Row],
    mapped: Mapping[str, str],
    templates: Sequence[str] | None,
    found: Found,
) -> Columns:
    """Leave out what is only called an order: sizes of shirts, an order of lines."""
    places = dict(columns.places)

    def filled(role: str) -> list[str]:
        return [c for c in (r.cell(places[role]) for r in rows) if c]

    speaks: dict[str, Callable[[str], bool]] = {
        "size": lambda c: any(read_size(part) for part in parted(c)),
        "order": lambda c: bool(read_order(c, templates)[0]),
        "template": lambda c: any(read_template(p, templates) for p in _parts(c)),
    }
    for role, test in speaks.items():
        if role not in places or role in mapped:
            continue
        cells = filled(role)
        if cells and not any(test(c) for c in cells):
            what = {"size": "print size", "order": "order", "template": "template of the event"}
            found.notes.append(
                f"the column '{columns.title(role)}' names no {what[role]} ({some(cells[:3])} …) "
                f"and is not taken as one; {offered(templates)}"
            )
            del places[role]
    return replace(columns, places=places)


def _parts(cell: str) -> list[str]:
    return [p.strip() for p in re.split(r"[;,+&\n]", cell) if p.strip()]


def _orders(
    row: Row, places: Mapping[str, int], templates: Sequence[str] | None
) -> tuple[tuple[Order, ...], list[str]]:
    return read_order_cells(
        {role: row.said(places.get(role)) for role in ("order", *_ORDER_ROLES)}, templates
    )


def read_order_cells(
    cells: Mapping[str, str], templates: Sequence[str] | None
) -> tuple[tuple[Order, ...], list[str]]:
    """Orders from a column for whole orders, and one each for template, size and copies.

    Several in a cell are parted by ``;`` or ``,``. Where two cells hold as many, the first goes
    with the first; a single one goes with all. A whole order is told by the other columns what it
    leaves out: "8x10" beside a quantity of 2 is two of 8x10.
    """
    parts = {
        role: parted(cells.get(role, "")) if role == "size" else _parts(cells.get(role, ""))
        for role in _ORDER_ROLES
    }
    whole = parted(cells.get("order", ""))
    doubts: list[str] = []
    if not any(parts.values()):
        orders, problems = read_order(cells.get("order", ""), templates)
        return orders, list(problems)
    all_parts = {"order": whole, **parts}
    counts = {len(p) for p in all_parts.values() if len(p) > 1}
    if len(counts) > 1 or (len(whole) == 1 and counts):
        told = ", ".join(f"{len(p)} of {role}" for role, p in all_parts.items() if p)
        return (), [f"{told} do not go together; write as many of each, or one for all"]
    if whole:
        beside = [
            {role: p[i] if len(p) > 1 else p[0] for role, p in parts.items() if p}
            for i in range(len(whole))
        ]
        orders, problems = read_order(cells["order"], templates, beside)
        return orders, list(problems)
    most = max(counts, default=1)
    out: list[Order] = []
    for i in range(most):
        at = {role: (p[i] if len(p) > 1 else p[0] if p else "") for role, p in parts.items()}
        template = read_template(at["template"], templates) if at["template"] else None
        size = read_size(at["size"]) if at["size"] else None
        copies = read_copies(at["copies"]) if at["copies"] else 1
        for role, value in (("template", template), ("size", size), ("copies", copies)):
            if at[role] and value is None:
                doubts.append(f"the {role} '{at[role]}' is not known")
        if copies is not None and copies > MOST_COPIES:
            doubts.append(f"{copies} copies cannot be meant; at most {MOST_COPIES} are taken")
            copies = None
        if (at["template"] and not template) or (at["size"] and not size) or copies is None:
            continue
        if copies:
            out.append(Order(template, size, copies))
    return merged(out), doubts


def _flags(row: Row, columns: Columns, doubts: list[str]) -> tuple[bool, bool]:
    """Whether the name is to be hidden, and whether the pictures stay out of galleries.

    A flag that cannot be read counts as set; so does a consent that is not given.
    """
    out = []
    for role, consent in (("no_name", "name_consent"), ("no_gallery", "gallery_consent")):
        hidden = False
        for which in (role, consent):
            if which not in columns.places:
                continue
            text = row.said(columns.places[which])
            value = read_flag(text) if text else False
            if value is None:
                doubts.append(
                    f"'{text}' under '{columns.title(which)}' is neither yes nor no; "
                    + ("the name is not shown" if role == "no_name" else "kept out of galleries")
                )
            hidden = hidden or (value is not False if which == role else value is not True)
        out.append(hidden)
    return out[0], out[1]


def titled(columns: Columns) -> dict[str, str]:
    """The file's title for each role, for people."""
    return {role: columns.title(role) for role in columns.places}
