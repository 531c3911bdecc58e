"""`roster map`, `roster check` and `roster find`: the roster is right before the event."""

from __future__ import annotations

import argparse
import json
import sys
import time
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from stream.config import EventConfig, with_roster
from stream.durable import replace_file, storing
from stream.errors import UserError
from stream.event import Event
from stream.options import event_option
from stream.people.columns import ROLES, Reading, read_mapping
from stream.people.current import read_roster, roster_file
from stream.people.encoding import known_encoding
from stream.people.errors import some
from stream.people.fitting import Finding, check_words
from stream.people.orders import offered
from stream.people.person import Person
from stream.people.roster import Roster
from stream.template import Template, load_template

SHOWN = 12
_ROLE_WORDS = {
    "number": "number", "name": "name", "first": "first name", "last": "last name",
    "group": "group", "order": "order", "template": "template", "size": "print size",
    "copies": "copies", "no_name": "name not to be shown", "name_consent": "name may be shown",
    "no_gallery": "not for galleries", "gallery_consent": "may be in galleries",
}  # fmt: skip


def add_commands(sub: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add this room's commands to the program's."""
    roster = sub.add_parser("roster", help="the people of an event").add_subparsers(
        dest="what", required=True, metavar="map|check|find"
    )
    mapping = roster.add_parser("map", help="say once which column is which, and keep it")
    event_option(mapping)
    mapping.add_argument(
        "columns",
        nargs="*",
        metavar="ROLE=TITLE",
        help=f'like number="Jersey No"; roles: {", ".join(ROLES)}; an empty title forgets one; '
        "'column 2' is a place in a list without titles",
    )
    _reading(mapping)
    mapping.set_defaults(run=roster_map)

    check = roster.add_parser(
        "check", help="read the roster and try every name in the templates, before the event"
    )
    event_option(check)
    _reading(check)
    check.add_argument("--json", action="store_true", help="print everything as JSON")
    check.set_defaults(run=roster_check)

    find = roster.add_parser("find", help="find people by part of a name, number or group")
    find.add_argument("text", nargs="+", help="part of a name, a number or a group")
    event_option(find)
    find.add_argument("--json", action="store_true", help="print them as JSON")
    find.set_defaults(run=roster_find)


def _reading(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--encoding", help="of a text file, like windows-1250, when a guess errs")
    parser.add_argument("--sheet", help="the sheet of a workbook")


def reading(
    before: Reading, columns: Mapping[str, str], encoding: str | None, sheet: str | None
) -> Reading:
    """How a roster is read, with what was said now in place of what was said before.

    Raises:
        RosterError: the encoding is not known.
    """
    if encoding:
        known_encoding(encoding)
    kept = {role: title for role, title in {**before.columns, **columns}.items() if title}
    return Reading(
        kept,
        before.encoding if encoding is None else encoding or None,
        before.sheet if sheet is None else sheet or None,
    )


def roster_map(args: argparse.Namespace) -> int:
    """Keep which column is which; nothing is kept under which the roster cannot be read."""
    event = Event.open(args.event)
    columns = read_mapping(args.columns)
    before = Reading.from_config(event.config.roster)
    wanted = reading(before, columns, args.encoding, args.sheet)
    if roster_file(event.paths) is None:
        raise UserError(f"{event.paths.root} has no roster.csv or roster.xlsx; put it there first.")
    roster = read_roster(event.paths, event.template_names, wanted)
    if wanted != before:
        text = event.paths.config.read_text("utf-8")
        data = with_roster(text, wanted.to_config()).encode()
        with storing("the mapping", event.paths.root):
            replace_file(event.paths.config, data)
        EventConfig.load(event.paths.config)
    _tell_reading(roster)
    print("Kept in event.toml." if wanted != before else "Nothing was changed.")
    return 0


def roster_find(args: argparse.Namespace) -> int:
    """List the people that fit; 1 for nobody."""
    event = Event.open(args.event)
    found = event.roster.find(" ".join(args.text))
    if args.json:
        print(json.dumps([person_json(p) for p in found], ensure_ascii=False, indent=2))
    else:
        for person in found:
            print(_line(person))
        if not found:
            print(f"Nobody of {len(event.roster)} people fits.")
    return 0 if found else 1


def _line(person: Person) -> str:
    parts = [f"{person.number:>6}  {person.name}"]
    parts += [person.group] if person.group else []
    parts += ["; ".join(map(str, person.orders))] if person.orders else []
    parts += ["name not shown"] if person.no_name else []
    parts += ["not in galleries"] if person.no_gallery else []
    return "  |  ".join(parts)


def person_json(person: Person) -> dict[str, Any]:
    """A person as JSON values."""
    return {
        "number": person.number,
        "name": person.name,
        "group": person.group,
        "orders": [vars(o) for o in person.orders],
        "no_name": person.no_name,
        "no_gallery": person.no_gallery,
    }


def roster_check(args: argparse.Namespace) -> int:
    """Say how the roster is read and what to look at; 1 when there is something."""
    event = Event.open(args.event)
    if roster_file(event.paths) is None:
        raise UserError(f"{event.paths.root} has no roster.csv or roster.xlsx; put it there first.")
    wanted = reading(Reading.from_config(event.config.roster), {}, args.encoding, args.sheet)
    roster = read_roster(event.paths, event.template_names, wanted)
    templates: dict[str, Template] = {}
    unread: list[str] = []
    for name in event.template_names:
        try:
            templates[name] = load_template(event.paths.templates / name)
        except UserError as e:
            unread.append(f"template {name} was not tried: {e}")
    usual = event.config.template or (event.template_names[0] if len(templates) == 1 else None)
    findings = check_words(roster, templates, usual, _Progress())
    trouble = bool(findings or roster.doubts or unread)
    if args.json:
        print(json.dumps(_json(roster, findings, unread), ensure_ascii=False, indent=2))
        return 1 if trouble else 0
    _tell_reading(roster)
    _tell_orders(roster)
    _tell("Not understood", roster.doubts)
    if roster.doubts:
        print(f"  An order may name: {offered(event.template_names)}.")
    _tell("Templates", tuple(unread))
    _tell_findings(roster, findings, templates)
    return 1 if trouble else 0


class _Progress:
    """One line that counts up, on a terminal and only where it takes a while."""

    def __init__(self) -> None:
        self._live = sys.stderr.isatty()
        self._begun_s = self._told_s = time.monotonic()

    def __call__(self, done: int, of: int) -> None:
        now_s = time.monotonic()
        last = done == of
        if not self._live or now_s - self._begun_s < 1 or (now_s - self._told_s < 0.2 and not last):
            return
        self._told_s = now_s
        print(
            f"\r{done} of {of} names tried", end="\n" if last else "", file=sys.stderr, flush=True
        )


def _many(count: int, one: str, several: str | None = None) -> str:
    return f"{count} {one if count == 1 else several or one + 's'}"


def _tell(title: str, lines: tuple[str, ...]) -> None:
    if lines:
        print(title if title.endswith("?") else f"{title}:")
    for line in lines:
        print(f"  {line}")


def _tell_reading(roster: Roster) -> None:
    source = roster.source
    how = [f"sheet '{source.sheet}'"] if source.sheet else []
    how += [f"encoding {source.encoding}"] if source.encoding else []
    how += [f"columns parted by {source.delimiter}"] if source.delimiter else []
    groups = len({p.group for p in roster if p.group})
    told = f" in {_many(groups, 'group')}" if groups else ""
    print(f"{_many(len(roster), 'person', 'people')}{told}.")
    print(f"Read as: {', '.join(how)}.")
    for role, title in source.titles.items():
        print(f"  {_ROLE_WORDS[role]}: '{title}'")
    if source.others:
        print(f"  only for templates: {', '.join(repr(t) for t in source.others)}")
    _tell("Please note", roster.notes)
    if source.guessed:
        odd = [p.name for p in roster if not p.name.isascii()][:SHOWN]
        _tell("Are these letters right?", tuple(odd))


def _tell_orders(roster: Roster) -> None:
    orders = [o for p in roster for o in p.orders]
    if orders:
        copies = sum(o.copies for o in orders)
        people = sum(bool(p.orders) for p in roster)
        print(f"Orders: {_many(copies, 'print')} for {_many(people, 'person', 'people')}.")
    for title, numbers in (
        ("Name not shown", [p.number for p in roster if p.no_name]),
        ("Not in galleries", [p.number for p in roster if p.no_gallery]),
    ):
        if numbers:
            count = _many(len(numbers), "person", "people")
            print(f"{title}: {count} ({some(numbers, 20)}).")


def _tell_findings(
    roster: Roster, findings: tuple[Finding, ...], templates: Mapping[str, Template]
) -> None:
    if not templates:
        print("No template was there to try the names in.")
        return
    _tell("For everybody", tuple(f"{f.sentence}." for f in findings if f.number is None))
    people = [f for f in findings if f.number is not None]
    if not people:
        print(f"Every name has its letters and fits in {', '.join(templates)}.")
        return
    print("Names to look at:")
    last = None
    for finding in people:
        person = roster.get(finding.number or "")
        if person is not None and person.number != last:
            print(f"  {person.number} {person.name}")
            last = person.number
        print(f"    {finding.template}: {finding.sentence}.")


def _json(roster: Roster, findings: tuple[Finding, ...], unread: list[str]) -> dict[str, Any]:
    source = replace(roster.source, titles=dict(roster.source.titles))
    return {
        "people": [person_json(p) for p in roster],
        "source": vars(source),
        "notes": list(roster.notes),
        "not_understood": list(roster.doubts),
        "templates_not_tried": unread,
        "names_to_look_at": [vars(f) for f in findings],
    }
