"""`event forget` and `event retain`: a person's shots and pictures, or those of an age, removed."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterable, Sequence
from datetime import datetime, timedelta
from pathlib import Path

from stream.errors import UserError
from stream.event import Event
from stream.forgetting.alone import alone
from stream.forgetting.belongings import Belongings, belongings, readable, same_named
from stream.forgetting.erasing import Plan, erase
from stream.forgetting.files import Erased, of_nobody_known
from stream.forgetting.records import log_words
from stream.forgetting.searching import holding, spellings
from stream.options import event_option
from stream.people import folded
from stream.people.numbering import kept_numbers
from stream.people.removal import remove_person, without_person
from stream.shot import Shot, shots

BEYOND = (
    "Beyond reach from here, so see to it yourself: prints; pictures, sheets and documents that "
    "were saved, copied or sent outside the event's folder; the camera's card and the folder that "
    "it delivers into; the list that the roster was made from; backups and online storage; and "
    "what a disk keeps of deleted files."
)
SHOWN = 30


def add_commands(sub: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Offer both under `event`."""
    forget = sub.add_parser(
        "forget",
        help="remove a person: shots, pictures, documents, queue and log entries, roster line",
    )
    forget.add_argument("person", metavar="PERSON", help="roster number or part of the name")
    forget.add_argument(
        "--group-shots",
        choices=("remove", "keep"),
        help="what becomes of shots that others are in, too, instead of asking: removed, or kept "
        "without this person's name",
    )
    forget.set_defaults(run=event_forget)

    retain = sub.add_parser("retain", help="remove every shot that is older than some days")
    retain.add_argument(
        "--days", type=int, required=True, metavar="N", help="how old shots may be, in days"
    )
    retain.set_defaults(run=event_retain)
    for parser in (forget, retain):
        event_option(parser)
        parser.add_argument("--yes", action="store_true", help="do it without asking once more")


def _asked(question: str, instead: str) -> bool:
    if not sys.stdin.isatty():
        raise UserError(
            f"nobody is at the terminal to answer '{question}'; {instead}. Nothing was removed."
        )
    return input(f"{question} [y/N] ").strip().lower() in ("y", "yes")


def _listed(some: Iterable[Shot]) -> str:
    numbers = [f"{s.number:04d}" for s in some]
    more = f" and {len(numbers) - SHOWN} more" if len(numbers) > SHOWN else ""
    return ", ".join(numbers[:SHOWN]) + more


def _count(n: int, one: str, many: str) -> str:
    return f"{n} {one if n == 1 else many}"


def _who(event: Event, text: str) -> tuple[str, str]:
    """Number and name; who is no longer on the roster may have shots, or a number that is kept."""
    roster = event.roster
    text = text.strip()
    if roster.get(text) is None and not roster.find(text):
        if event.paths.numbers.exists():
            kept = kept_numbers(event.paths.numbers)
            known = [(n, name) for n, name, _ in kept if text == n or folded(text) == folded(name)]
            if len(known) == 1:
                return known[0]
        if any(text in s.people for s in shots(event)):
            return text, ""
    person = roster.one(text)
    return person.number, person.name


def _others(event: Event, shot: Shot, number: str) -> str:
    people = [(n, event.roster.get(n)) for n in shot.people if n != number]
    return ", ".join(f"{p.name} ({n})" if p else f"number {n}" for n, p in people)


def _describe(event: Event, who: str, number: str, found: Belongings) -> None:
    print(f"What there is of {who}:")
    if not found.every:
        print("  no shots")
    if found.alone:
        print(f"  {_count(len(found.alone), 'shot', 'shots')} alone: {_listed(found.alone)}")
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


def _plan(
    event: Event, args: argparse.Namespace, number: str, name: str, found: Belongings
) -> Plan:
    remove = args.group_shots == "remove"
    if found.asked and args.group_shots is None:
        remove = _asked(
            f"Remove what concerns others, too ({_listed(found.asked)})? Otherwise it stays for "
            "them, with this person's face but without the name.",
            "say it with --group-shots remove or --group-shots keep",
        )
    going = (*found.alone, *(found.asked if remove else ()))
    names = () if same_named(event, number, name) or not name else spellings(name)
    return Plan(
        going,
        () if remove else found.asked,
        (*found.beside, *found.named),
        number,
        log_words(number, names),
    )


def event_forget(args: argparse.Namespace) -> int:
    """Remove a person; 1 where something of them may still be there."""
    event = Event.open(args.event)
    with alone(event):
        number, name = _who(event, args.person)
        # Before anything goes: a roster that only its own program can change is said first.
        lists = without_person(event.paths, number)
        found = belongings(event, number, name)
        who = f"{name} (number {number})" if name else f"number {number}"
        _describe(event, who, number, found)
        if _sheets(event):
            print("  every sheet and contact sheet in sheets/, since they can be made anew")
        if lists:
            print(f"  the lines in {', '.join(p.name for p in lists)}")
        plan = _plan(event, args, number, name, found)
        if not args.yes and not _asked("Remove this for good?", "say it with --yes"):
            print("Nothing was removed.")
            return 0
        done = erase(event, plan)
        others = same_named(event, number, name) if name else {}
        remove_person(event.paths, number)
        _tell(done, found.unread)
        anew = (*plan.nameless, *plan.remade)
        if anew:
            print(
                f"What stays for others ({_listed(anew)}) is without the name now; 'posewall batch "
                "run' makes the pictures anew, earlier ones of them are gone."
            )
        gone = {s.id for s in plan.going}
        lacking = [s for s in plan.remade if gone & set(s.beside)]
        if lacking:
            print(
                f"A slot stays empty in the pictures of {_listed(lacking)}; fill it with 'posewall "
                "batch change SHOT --beside SHOT'."
            )
        rest = holding(event.paths.root, name) if name else []
        _tell_rest(event, rest, others)
        _tell_unknown(event)
        print(BEYOND)
    return 1 if found.unread or done.left or (rest and not others) else 0


def _sheets(event: Event) -> list[Path]:
    folder = event.paths.sheets
    return list(folder.iterdir()) if folder.is_dir() else []


def _tell(done: Erased, unread: Sequence[str]) -> None:
    print(
        f"Removed: {_count(done.shots, 'shot', 'shots')}, "
        f"{_count(done.files, 'picture, document or sheet', 'pictures, documents and sheets')}, "
        f"{_count(done.jobs, 'entry', 'entries')} of the queue, {done.entries} of the log."
    )
    for path in done.away:
        print(f"  {path} was opened up outside the event's folder: remove it yourself")
    for name in done.left:
        print(f"  pictures/{name} is another shot's picture now and stays")
    _tell_unread(unread)


def _tell_unread(unread: Sequence[str]) -> None:
    for shot_id in unread:
        print(
            f"  the record of shot {shot_id} cannot be read, so nobody knows whose it is: look at "
            f"shots/{shot_id} yourself",
            file=sys.stderr,
        )


def _tell_rest(event: Event, rest: Sequence[Path], others: Iterable[str]) -> None:
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


def _tell_unknown(event: Event) -> None:
    some = of_nobody_known(event)
    if some:
        print("Nobody knows whom these files of the event's folder show, so look at them yourself:")
        for path in some[:SHOWN]:
            print(f"  {path.relative_to(event.paths.root)}")
        if len(some) > SHOWN:
            print(f"  and {len(some) - SHOWN} more")


def event_retain(args: argparse.Namespace) -> int:
    """Remove shots that are older than some days, as the clock is now."""
    return retain(args, datetime.now().astimezone())


def retain(args: argparse.Namespace, now: datetime) -> int:
    """Remove shots that are older than some days, and the roster lines of those then gone.

    Args:
        args: the command's.
        now: the wall clock, aware.
    """
    if args.days < 0:
        raise UserError(f"--days is {args.days}; give a number of days from 0 on.")
    event = Event.open(args.event)
    with alone(event):
        try:
            limit = now - timedelta(days=args.days)
        except OverflowError:
            raise UserError(f"--days is {args.days}; give the days of some years.") from None
        every, unread = readable(event)
        old = [s for s in every.values() if s.taken < limit]
        if not old:
            print(f"No shot is older than {args.days} days; nothing was removed.")
            _tell_unread(unread)
            return 1 if unread else 0
        going = {s.id for s in old}
        left = [s for s in every.values() if s.id not in going]
        remade = tuple(s for s in left if going & set(s.beside))
        before = {p for s in old for p in s.people}
        people = sorted(before - {p for s in left for p in s.people})
        known = [p for n in people if (p := event.roster.get(n))]
        for number in people:
            without_person(event.paths, number)
        print(
            f"{len(old)} of {_count(len(every), 'shot is', 'shots are')} older than "
            f"{args.days} days: {_listed(old)}."
        )
        if known:
            print("Then these have no shot left, and their lines in the roster go, too:")
            for person in known:
                print(f"  {person.number} {person.name}")
        if _sheets(event):
            print("Every sheet and contact sheet in sheets/ goes, too; they can be made anew.")
        if remade:
            print(f"Pictures of shots {_listed(remade)} show one of them and are made anew.")
        if not args.yes and not _asked("Remove them for good?", "say it with --yes"):
            print("Nothing was removed.")
            return 0
        words = [w for n in people for w in log_words(n)]
        # Before the shots, by which a run that was killed finds them again.
        for number in people:
            remove_person(event.paths, number)
        done = erase(event, Plan(tuple(old), (), remade, None, tuple(words)))
        _tell(done, unread)
        _tell_unknown(event)
        print(BEYOND)
    return 1 if unread or done.left else 0
