"""Erase shots and takes, with everything in the event's folder that was made of them.

The order is such that a run that was killed at any moment can be done again and finds what is left:
first what was made of them, then the queue, the log, the records of what stays, and the shots' and
takes' own folders last. Nothing is overwritten on the disk: what a drive keeps of deleted files is
beyond a program's reach.
"""

from __future__ import annotations

import re
import shutil
from collections import Counter
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from stream.durable import held, partial_path, replace_file, storing, sync_folder
from stream.event import Event
from stream.forgetting.files import Affected, Erased, erase_files, sweep
from stream.forgetting.recorded import take_without
from stream.forgetting.records import forget_jobs, forget_log
from stream.opening.openings import forget_openings
from stream.people import Person
from stream.shot import RECORD, Shot, Wanted, shot_ids
from stream.shot.titling import titled
from stream.take import Take, replace_take, take_ids


@dataclass(frozen=True)
class Plan:
    """What becomes of which shots and takes.

    Attributes:
        going: they go, whole.
        nameless: they stay, without this person's number and name.
        remade: shots of others whose pictures are made anew, without the frames that go.
        number: the person's number; None where only shots and takes go.
        words: by which further entries of the log are known, as regular expressions.
        takes_going: they go, whole.
        takes_nameless: they stay, without this person's number and name.
        takes_renamed: takes of others whose films are made anew, without this person's name.
    """

    going: tuple[Shot, ...]
    nameless: tuple[Shot, ...] = ()
    remade: tuple[Shot, ...] = ()
    number: str | None = None
    words: tuple[str, ...] = ()
    takes_going: tuple[Take, ...] = ()
    takes_nameless: tuple[Take, ...] = ()
    takes_renamed: tuple[Take, ...] = ()


def erase(event: Event, plan: Plan, told: Callable[[str], None] = print) -> Erased:
    """Do what was planned.

    No other process may work on the event.

    Args:
        event: the event.
        plan: what goes and what stays.
        told: takes a line of progress.

    Raises:
        UserError: the disk or the store refused; doing it again goes on.
    """
    erased = Erased()
    gone = {s.id for s in plan.going}
    takes_remade = (*plan.takes_nameless, *plan.takes_renamed)
    affected = Affected(plan.going, plan.nameless, plan.remade, plan.takes_going, takes_remade)
    ids = [s.id for s in affected.shots] + [t.id for t in affected.takes]
    with storing("the removal", event.paths.root), held(event.paths.lock):
        told("Looking through the event's folder for pictures, documents and copies ...")
        sweep(event)
        erase_files(event, affected, erased)
        stay = [*shot_ids(event), *take_ids(event)]
        erased.jobs = forget_jobs(event.paths.queue, ids, stay)
        erased.entries = forget_log(event.paths.log, ids, plan.words)
        # Those that show another one's frame first: they are found by it.
        for shot in (*plan.remade, *plan.nameless):
            _write(event, _without(event, shot, plan.number, gone))
        for take in takes_remade:
            replace_take(event, take_without(event, take, plan.number))
        for shot in plan.nameless:
            forget_openings(event, shot.id)
        for n, shot in enumerate(plan.going, 1):
            _erase_folder(event.paths.shots / shot.id)
            erased.shots += 1
            told(f"{n}/{len(plan.going)} shot {shot.number:04d} removed")
        for n, take in enumerate(plan.takes_going, 1):
            _erase_folder(event.paths.takes / take.id)
            erased.takes += 1
            told(f"{n}/{len(plan.takes_going)} take {take.number:04d} removed")
    return erased


def _erase_folder(folder: Path) -> None:
    if folder.is_dir():
        # Under this name what a crash leaves of it is swept away.
        going = partial_path(folder.parent)
        folder.rename(going)
        sync_folder(folder.parent)
        shutil.rmtree(going)
        sync_folder(folder.parent)


def _write(event: Event, shot: Shot) -> None:
    replace_file(event.paths.shots / shot.id / RECORD, shot.to_bytes())


def _without(event: Event, shot: Shot, number: str | None, gone: Collection[str]) -> Shot:
    """A shot that stays: its pictures under new names, to be made once more."""
    people = tuple(p for p in shot.people if p != number)
    notes = shot.notes
    if number is not None:
        says = re.compile(rf"(?<![\w-]){re.escape(number)}(?![\w-])")
        notes = tuple(n for n in notes if not says.search(n))
    plain = replace(
        shot,
        people=people,
        notes=notes,
        beside=tuple(b for b in shot.beside if b not in gone),
        render=shot.render + 1,
    )
    plain = plain.wanting(_for_others(event, plain, number))
    earlier = [_edition(event, plain, e, n, gone) for n, e in enumerate(shot.earlier, 1)]
    # The names before are free: what had them is removed.
    bare = replace(plain, earlier=())
    return replace(titled(event, bare, len(earlier) + 1), earlier=tuple(earlier))


def _for_others(event: Event, shot: Shot, number: str | None) -> list[Wanted]:
    """What is wanted of a shot, without what this person ordered."""
    person = event.roster.get(number) if number else None
    others = [p for p in (event.roster.get(n) for n in shot.people) if p]

    def ordered(people: Iterable[Person]) -> Counter[tuple[str | None, str | None]]:
        found: Counter[tuple[str | None, str | None]] = Counter()
        for order in (o for p in people for o in p.orders):
            found[order.template or event.config.template, order.size] += order.copies
        return found

    own, rest = ordered([person] if person else []), ordered(others)
    left = []
    for n, wanted in enumerate(shot.wanted):
        key = wanted.template, wanted.size
        if not own[key] or wanted.copies != own[key] + rest[key]:
            left.append(wanted)
        elif rest[key] or n == 0:
            left.append(replace(wanted, copies=max(rest[key], 1)))
    return left


def _edition(
    event: Event, shot: Shot, entry: Mapping[str, Any], edition: int, gone: Collection[str]
) -> dict[str, Any]:
    """What an earlier picture was made with; its name is the one it would have now."""
    wanted: Sequence[Wanted] = [
        Wanted(
            str(entry.get("template", shot.template)),
            str(entry.get("template_version", shot.template_version)),
            "",
            entry.get("size"),
            int(entry.get("copies", 1)),
        ),
        *(replace(Wanted.from_json(w), picture="", former=()) for w in entry.get("also", ())),
    ]
    output = entry.get("output", shot.output)
    bare = replace(shot, output=output, earlier=())
    named = titled(event, bare.wanting(wanted), edition)
    told = named.to_json()
    out = {**entry, "picture": told["picture"]}
    if "also" in entry:
        out["also"] = told["also"]
    if "beside" in entry:
        out["beside"] = [b for b in entry["beside"] if b not in gone]
    return out
