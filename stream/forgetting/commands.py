"""`event forget` and `event retain`: what there is of a person, or is of an age, removed."""

from __future__ import annotations

import argparse
import sys
from datetime import datetime, timedelta

from stream.errors import UserError
from stream.event import Event
from stream.forgetting.alone import alone
from stream.forgetting.belongings import Belongings, belongings, same_named
from stream.forgetting.erasing import Plan, erase
from stream.forgetting.recorded import Recorded, recorded
from stream.forgetting.records import log_words
from stream.forgetting.searching import holding, spellings
from stream.forgetting.telling import (
    BEYOND,
    count,
    describe,
    listed,
    sheets_of,
    tell,
    tell_rest,
    tell_unknown,
    tell_unread,
)
from stream.options import event_option
from stream.people import folded
from stream.people.numbering import kept_numbers
from stream.people.removal import remove_person, without_person
from stream.people.upcoming import forget_upcoming
from stream.shot import Shot, readable_shots, shots
from stream.take import Take, readable_takes, takes


def add_commands(sub: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Offer both under `event`."""
    forget = sub.add_parser(
        "forget",
        help="remove a person: shots, takes, all that was made of them, queue and log entries, "
        "roster line",
    )
    forget.add_argument("person", metavar="PERSON", help="roster number or part of the name")
    forget.add_argument(
        "--group-shots",
        choices=("remove", "keep"),
        help="what becomes of shots and takes that others are in, too, instead of asking: removed, "
        "or kept without this person's name",
    )
    forget.set_defaults(run=event_forget)

    retain = sub.add_parser(
        "retain", help="remove every shot and take that is older than some days"
    )
    retain.add_argument(
        "--days", type=int, required=True, metavar="N", help="how old they may be, in days"
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
        if any(text in s.people for s in shots(event)) or any(
            text in t.people for t in takes(event)
        ):
            return text, ""
    person = roster.one(text)
    return person.number, person.name


def _plan(
    event: Event,
    args: argparse.Namespace,
    number: str,
    name: str,
    found: Belongings,
    films: Recorded,
) -> Plan:
    remove = args.group_shots == "remove"
    asked: list[Shot | Take] = [*found.asked, *films.group]
    if asked and args.group_shots is None:
        remove = _asked(
            f"Remove what concerns others, too ({listed(asked)})? Otherwise it stays for "
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
        takes_going=(*films.alone, *(films.group if remove else ())),
        takes_nameless=() if remove else films.group,
        takes_renamed=films.named,
    )


def event_forget(args: argparse.Namespace) -> int:
    """Remove a person; 1 where something of them may still be there."""
    event = Event.open(args.event)
    with alone(event):
        number, name = _who(event, args.person)
        # Before anything goes: a roster that only its own program can change is said first.
        lists = without_person(event.paths, number)
        found, films = belongings(event, number, name), recorded(event, number, name)
        who = f"{name} (number {number})" if name else f"number {number}"
        describe(event, who, number, found, films)
        if sheets_of(event):
            print("  every sheet and contact sheet in sheets/, since they can be made anew")
        if lists:
            print(f"  the lines in {', '.join(p.name for p in lists)}")
        plan = _plan(event, args, number, name, found, films)
        if not args.yes and not _asked("Remove this for good?", "say it with --yes"):
            print("Nothing was removed.")
            return 0
        done = erase(event, plan)
        others = same_named(event, number, name) if name else {}
        forget_upcoming(event.paths, number)
        remove_person(event.paths, number)
        unread = (*found.unread, *films.unread)
        tell(done, unread)
        anew: list[Shot | Take] = [*plan.nameless, *plan.remade]
        anew += [*plan.takes_nameless, *plan.takes_renamed]
        if anew:
            print(
                f"What stays for others ({listed(anew)}) is without the name now; 'posewall batch "
                "run' makes the pictures and greetings anew, earlier ones of them are gone."
            )
        gone = {s.id for s in plan.going}
        lacking = [s for s in plan.remade if gone & set(s.beside)]
        if lacking:
            print(
                f"A slot stays empty in the pictures of {listed(lacking)}; fill it with 'posewall "
                "batch change SHOT --beside SHOT'."
            )
        rest = holding(event.paths.root, name) if name else []
        tell_rest(event, rest, others)
        tell_unknown(event)
        print(BEYOND)
    return 1 if unread or done.left or (rest and not others) else 0


def event_retain(args: argparse.Namespace) -> int:
    """Remove shots and takes that are older than some days, as the clock is now."""
    return retain(args, datetime.now().astimezone())


def retain(args: argparse.Namespace, now: datetime) -> int:
    """Remove what is older than some days, and the roster lines of those then gone.

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
        every, unread = readable_shots(event)
        recordings, unread_takes = readable_takes(event)
        unread = (*unread, *unread_takes)
        old = [s for s in every.values() if s.taken < limit]
        old_takes = [t for t in recordings.values() if t.begun < limit]
        if not old and not old_takes:
            what = "shot or take" if recordings else "shot"
            print(f"No {what} is older than {args.days} days; nothing was removed.")
            tell_unread(unread)
            return 1 if unread else 0
        going = {s.id for s in old}
        left = [s for s in every.values() if s.id not in going]
        remade = tuple(s for s in left if going & set(s.beside))
        takes_left = [t for t in recordings.values() if t not in old_takes]
        before = {p for s in old for p in s.people} | {p for t in old_takes for p in t.people}
        stay = {p for s in left for p in s.people} | {p for t in takes_left for p in t.people}
        people = sorted(before - stay)
        known = [p for n in people if (p := event.roster.get(n))]
        for number in people:
            without_person(event.paths, number)
        print(
            f"{len(old)} of {count(len(every), 'shot is', 'shots are')} older than "
            f"{args.days} days: {listed(old) or 'none'}."
        )
        if old_takes:
            print(
                f"So {'is' if len(old_takes) == 1 else 'are'} {len(old_takes)} of "
                f"{count(len(recordings), 'take', 'takes')}: {listed(old_takes)}."
            )
        if known:
            print("Then these have no shot or take left, and their lines in the roster go, too:")
            for person in known:
                print(f"  {person.number} {person.name}")
        if sheets_of(event):
            print("Every sheet and contact sheet in sheets/ goes, too; they can be made anew.")
        if remade:
            print(f"Pictures of shots {listed(remade)} show one of them and are made anew.")
        if not args.yes and not _asked("Remove them for good?", "say it with --yes"):
            print("Nothing was removed.")
            return 0
        words = [w for n in people for w in log_words(n)]
        # Before the shots, by which a run that was killed finds them again.
        for number in people:
            forget_upcoming(event.paths, number)
            remove_person(event.paths, number)
        done = erase(event, Plan(tuple(old), (), remade, None, tuple(words), tuple(old_takes)))
        tell(done, unread)
        tell_unknown(event)
        print(BEYOND)
    return 1 if unread or done.left else 0
