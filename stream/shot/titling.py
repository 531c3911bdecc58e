"""The file names of a shot's pictures, by the event's pattern."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from datetime import datetime

from stream.errors import UserError
from stream.event import Event
from stream.file_name import safe_name
from stream.people import texts
from stream.prints.naming import LONGEST_PART, dated, ended, free_name, same_place
from stream.prints.output import Output
from stream.shot.finding import shots
from stream.shot.record import KEPT, Shot
from stream.shot.wanted import Wanted


def output_of(event: Event, table: Mapping[str, object]) -> Output:
    """How files are made, out of a shot's or the event's own table.

    Raises:
        UserError: an entry cannot be used.
    """
    return Output.from_table(table, event.paths.root)


def name_fields(event: Event, people: Sequence[str], taken: datetime) -> dict[str, str]:
    """What a name may ask for of people, event and day.

    Args:
        event: whose roster is asked.
        people: roster numbers.
        taken: when they stood before the screen.
    """
    try:
        known = [p for p in (event.roster.get(number) for number in people) if p]
    except (UserError, OSError):
        known = []  # what they are in is kept without names, and named when it is made once more
    fields = texts(known)
    names = [p.shown_name for p in known]
    return {
        **fields,
        "people": ", ".join(n for n in names if n),
        # As it may be shown: schools send user names as numbers, too.
        "number": fields.get("number", ""),
        "group": fields.get("group", ""),
        "event": event.name,
        "date": dated(taken),
    }


def _fields(event: Event, shot: Shot, wanted: Wanted) -> dict[str, str]:
    return {
        **name_fields(event, shot.people, shot.taken),
        "shot": f"{shot.number:04d}",
        "template": wanted.template,
        "size": wanted.size or "",
        "copies": str(wanted.copies),
    }


def _taken(event: Event, shot: Shot, free: set[str], numbered: bool) -> set[str]:
    """What no picture may be called: what lies in the folder, and what other shots' are called.

    Args:
        event: the event.
        shot: the shot; its former and earlier names are taken too, but for the free ones.
        free: names that its pictures may have.
        numbered: a name has its shot's number in it, so that it is no other shot's.
    """
    found = {same_place(n) for n in shot.picture_names if n}
    if not numbered:
        found |= {same_place(n) for s in shots(event) if s.id != shot.id for n in s.picture_names}
    for path in event.paths.pictures.rglob("*"):
        found.add(same_place(path.relative_to(event.paths.pictures).as_posix()))
    return found - free


def titles(event: Event, shot: Shot, edition: int = 1, free: Iterable[str] = ()) -> tuple[str, ...]:
    """A name for each picture that is wanted of a shot, the shot's number and output being set.

    Args:
        event: the event, whose lock the caller holds.
        shot: the shot.
        edition: which picture of its shot it is, from 1.
        free: names of its own that they may have once more.

    Returns:
        Names below pictures/, no two the same, none of another shot's or of an earlier picture.
    """
    output = output_of(event, shot.output)
    pattern = output.pattern
    asks = {f.casefold() for f in pattern.fields}
    others = _taken(event, shot, {same_place(n) for n in free}, "shot" in asks)
    made: list[str] = []
    for i, wanted in enumerate(shot.wanted):
        plain = pattern.name(_fields(event, shot, wanted))
        if i:
            told = (("template", wanted.template), ("size", wanted.size or ""))
            more = [safe_name(v, LONGEST_PART // 4) for k, v in told if v and k not in asks]
            plain = ended(plain, "".join(f"-{m}" for m in more if m))
        if edition > 1:
            plain = ended(plain, f"-{edition}")
        name = free_name(plain, output.ending, lambda n: same_place(n) in others)
        made.append(name)
        others.add(same_place(name))
    return tuple(made)


def titled(event: Event, shot: Shot, edition: int = 1) -> Shot:
    """The shot with its pictures named for the first time, or as another edition."""
    names = titles(event, shot, edition)
    named = [
        Wanted(w.template, w.template_version, name, w.size, w.copies)
        for w, name in zip(shot.wanted, names, strict=True)
    ]
    return shot.wanting(named)


def retitled(event: Event, shot: Shot) -> Shot:
    """The shot with its pictures named anew, the names before kept in mind."""
    stays = {same_place(n) for n in shot.earlier_names}
    free = [n for w in shot.wanted for n in (w.picture, *w.former) if same_place(n) not in stays]
    names = titles(event, shot, len(shot.earlier) + 1, free)
    named: Sequence[Wanted] = [
        w if w.picture == name else w.renamed(name)
        for w, name in zip(shot.wanted, names, strict=True)
    ]
    return shot.wanting(named)


def _keep_made(event: Event, shot: Shot) -> Shot:
    """The shot under the name that its picture has on the disk.

    A corrected name counts only once the picture was made with it; until then the picture has its
    former name, under which it is to stay. What is still made under the corrected one goes.
    """
    pictures = event.paths.pictures

    def kept(wanted: Wanted) -> Wanted:
        made = [f for f in wanted.former if (pictures / f).is_file()]
        if (pictures / wanted.picture).is_file() or not made:
            return wanted
        return wanted.renamed(made[-1])

    return shot.wanting([kept(w) for w in shot.wanted])


def another_edition(event: Event, before: Shot, now: Shot) -> Shot:
    """The shot made otherwise under new names; the pictures that were made before stay.

    Args:
        event: the event, whose lock the caller holds.
        before: as it was kept.
        now: the same with what is otherwise.
    """
    before = _keep_made(event, before)
    told = before.to_json()
    earlier = (*before.earlier, {field: told[field] for field in KEPT})
    # What is still made under a name before the last correction goes with the new pictures.
    former = tuple(f for w in before.wanted for f in w.former)
    now = replace(titled(event, now, len(earlier) + 1), former_pictures=former)
    return replace(now, earlier=earlier, render=before.render + 1)
