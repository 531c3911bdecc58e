"""The file names of a shot's pictures, by the event's pattern."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from stream.event import Event
from stream.file_name import safe_name
from stream.people import texts

# As modules: whichever of the two rooms is loaded first, the other asks for it half-way.
from stream.prints import naming, output
from stream.shot.finding import shots
from stream.shot.record import Shot
from stream.shot.wanted import Wanted


def output_of(event: Event, table: Mapping[str, object]) -> output.Output:
    """How files are made, out of a shot's or the event's own table.

    Raises:
        UserError: an entry cannot be used.
    """
    return output.Output.from_table(table, event.paths.root)


def _fields(event: Event, shot: Shot, wanted: Wanted) -> dict[str, str]:
    people = [p for p in (event.roster.get(number) for number in shot.people) if p]
    fields = texts(people)
    names = [p.shown_name for p in people]
    return {
        **fields,
        "shot": f"{shot.number:04d}",
        "people": ", ".join(n for n in names if n),
        # As it may be shown: schools send user names as numbers, too.
        "number": fields.get("number", ""),
        "group": fields.get("group", ""),
        "template": wanted.template,
        "size": wanted.size or "",
        "event": event.name,
        "date": naming.dated(shot.taken),
        "copies": str(wanted.copies),
    }


def _others(event: Event, shot: Shot) -> set[str]:
    """What the pictures of other shots are called, and what lies in the folder."""
    found = {naming.same_place(n) for s in shots(event) if s.id != shot.id for n in s.picture_names}
    own = {naming.same_place(n) for n in shot.picture_names}
    for path in event.paths.pictures.rglob("*"):
        name = naming.same_place(path.relative_to(event.paths.pictures).as_posix())
        if name not in own:
            found.add(name)
    return found


def titles(event: Event, shot: Shot, edition: int = 1) -> tuple[str, ...]:
    """A name for each picture that is wanted of a shot, the shot's number and output being set.

    Args:
        event: the event, whose lock the caller holds.
        shot: the shot.
        edition: which picture of its shot it is, from 1.

    Returns:
        Names below pictures/, no two the same, and none of another shot's.
    """
    form = output_of(event, shot.output)
    pattern = form.pattern
    asks = {f.casefold() for f in pattern.fields}
    # A name with the shot's number in it is nobody else's.
    others: set[str] = set() if "shot" in asks else _others(event, shot)
    made: list[str] = []
    for i, wanted in enumerate(shot.wanted):
        plain = pattern.name(_fields(event, shot, wanted))
        if i:
            told = (("template", wanted.template), ("size", wanted.size or ""))
            more = [safe_name(v) for k, v in told if v and k not in asks]
            plain = "-".join([plain, *more])
        if edition > 1:
            plain = f"{plain}-{edition}"
        name = naming.free_name(plain, form.ending, lambda n: naming.same_place(n) in others)
        made.append(name)
        others.add(naming.same_place(name))
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
    names = titles(event, shot, len(shot.earlier) + 1)
    named: Sequence[Wanted] = [
        w if w.picture == name else w.renamed(name)
        for w, name in zip(shot.wanted, names, strict=True)
    ]
    return shot.wanting(named)
