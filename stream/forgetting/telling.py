"""What is said before and after something is taken out of an event."""

from __future__ import annotations

import sys
from collections.abc import Iterable, Sequence
from pathlib import Path

from stream.event import Event
from stream.forgetting.belongings import Belongings
from stream.forgetting.files import Erased, of_nobody_known
from stream.forgetting.recorded import Recorded
from stream.shot import Shot
from stream.take import Take

BEYOND = (
    "Beyond reach from here, so see to it yourself: prints; pictures, greetings, sheets and "
    "documents that were saved, copied or sent outside the event's folder; the camera's card and "
    "the folder that it delivers into; the list that the roster was made from; backups and online "
    "storage; and what a disk keeps of deleted files."
)
SHOWN = 30


def number_of(kept: Shot | Take) -> str:
    """A shot's or take's number, as people write it."""
    return f"{'t' if isinstance(kept, Take) else ''}{kept.number:04d}"


def listed(some: Iterable[Shot | Take]) -> str:
    """Their numbers."""
    numbers = [number_of(s) for s in some]
    more = f" and {len(numbers) - SHOWN} more" if len(numbers) > SHOWN else ""
    return ", ".join(numbers[:SHOWN]) + more


def count(n: int, one: str, many: str) -> str:
    """So many of something."""
    return f"{n} {one if n == 1 else many}"


def _others(event: Event, kept: Shot | Take, number: str) -> str:
    people = [(n, event.roster.get(n)) for n in kept.people if n != number]
    return ", ".join(f"{p.name} ({n})" if p else f"number {n}" for n, p in people)


def describe(event: Event, who: str, number: str, found: Belongings, films: Recorded) -> None:
    """Say what there is of a person."""
    print(f"What there is of {who}:")
    if not found.every:
        print("  no shots")
    if found.alone:
        print(f"  {count(len(found.alone), 'shot', 'shots')} alone: {listed(found.alone)}")
    for shot in found.group:
        print(f"  shot {shot.number:04d} together with {_others(event, shot, number)}")
    for shot in found.laid:
        print(f"  shot {shot.number:04d} alone, but laid into one picture with others' shots")
    for shot in found.beside:
        print(
            f"  shot {shot.number:04d} is of others; its picture shows this person beside them and "
            "is made anew"
        )
    for shot in found.named:
        print(
            f"  shot {shot.number:04d} is of others; an earlier picture has this person's name and "
            "is removed"
        )
    if films.alone:
        print(f"  {count(len(films.alone), 'take', 'takes')} alone: {listed(films.alone)}")
    for take in films.group:
        print(f"  take {number_of(take)} together with {_others(event, take, number)}")
    for take in films.named:
        print(
            f"  take {number_of(take)} is of others; a greeting of it has this person's name and "
            "is made anew"
        )


def sheets_of(event: Event) -> list[Path]:
    """Sheets and contact sheets; they show several people at once."""
    folder = event.paths.sheets
    return list(folder.iterdir()) if folder.is_dir() else []


def tell(done: Erased, unread: Sequence[str]) -> None:
    """Say what was removed."""
    takes = f"{count(done.takes, 'take', 'takes')}, " if done.takes else ""
    one, many = "picture, film, document or sheet", "pictures, films, documents and sheets"
    print(
        f"Removed: {count(done.shots, 'shot', 'shots')}, {takes}{count(done.files, one, many)}, "
        f"{count(done.jobs, 'entry', 'entries')} of the queue, {done.entries} of the log."
    )
    for path in done.away:
        print(f"  {path} was opened up outside the event's folder: remove it yourself")
    for name in done.left:
        whose = "take's film" if name.startswith("films/") else "shot's picture"
        print(f"  {name} is another {whose} now and stays")
    tell_unread(unread)


def tell_unread(unread: Sequence[str]) -> None:
    """Say of which shots and takes nobody knows whose they are."""
    for kept in unread:
        what = "take" if kept.startswith("t") else "shot"
        print(
            f"  the record of {what} {kept} cannot be read, so nobody knows whose it is: look at "
            f"{what}s/{kept} yourself",
            file=sys.stderr,
        )


def tell_rest(event: Event, rest: Sequence[Path], others: Iterable[str]) -> None:
    """Say where the name still stands."""
    if not rest:
        return
    whose = ", ".join(f"number {n}" for n in others)
    if whose:
        print(
            f"Somebody else has the same name ({whose}) and stays; these hold the name, so make "
            "sure that they are that person's:"
        )
    else:
        print("The name still stands in these, so look at them yourself:", file=sys.stderr)
    for path in rest[:SHOWN]:
        where = path.relative_to(event.paths.root)
        print(f"  {where}", file=sys.stdout if whose else sys.stderr)
    if len(rest) > SHOWN:
        print(f"  and {len(rest) - SHOWN} more", file=sys.stdout if whose else sys.stderr)


def tell_unknown(event: Event) -> None:
    """Say which pictures and films are nobody's."""
    some = of_nobody_known(event)
    if some:
        print("Nobody knows whom these files of the event's folder show, so look at them yourself:")
        for path in some[:SHOWN]:
            print(f"  {path.relative_to(event.paths.root)}")
        if len(some) > SHOWN:
            print(f"  and {len(some) - SHOWN} more")
