"""`event new` and `batch run`, `batch status`, `batch add`; `handwork` has the others of batch."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from datetime import date, datetime
from pathlib import Path
from typing import Any

from models.keyer import KeySettings
from stream.batch import handwork
from stream.batch.film_jobs import FilmJob
from stream.batch.jobs import Job, JobQueue
from stream.batch.running import run_until_finished
from stream.batch.state import State
from stream.batch.sweep import Sweep, retry_passed
from stream.batch.telling import line, made_names, summary
from stream.batch.worker import worker_at_work
from stream.capture.stills import read_still
from stream.device import pick_device
from stream.errors import UserError
from stream.event import Event
from stream.forgetting import commands as forgetting
from stream.options import event_option
from stream.people import Reading, texts
from stream.people.columns import read_mapping
from stream.people.commands import reading
from stream.shot import add_still, find_shot, output_of, render_again, save_plate
from stream.shot.choice import load_choice
from stream.take import find_take, sweep_takes
from stream.take.changes import change_take


def add_commands(sub: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add this room's commands to the program's."""
    event = sub.add_parser("event", help="make an event's folder, take people out").add_subparsers(
        dest="what", required=True, metavar="new|forget|retain"
    )
    new = event.add_parser("new", help="make a new event's folder")
    new.add_argument("folder", type=Path, help="the new folder; must not be there yet")
    new.add_argument("--name", required=True, help="the event's name, for people")
    new.add_argument("--date", type=_day, help="its date, like 2026-05-31")
    new.add_argument(
        "--roster", type=Path, help="CSV or XLSX file with the columns number, name, group"
    )
    new.add_argument(
        "--map",
        action="append",
        default=[],
        metavar="ROLE=TITLE",
        help='which column of the roster is which, like number="Jersey No"; several times',
    )
    new.add_argument("--encoding", help="of the roster, like windows-1250, when a guess errs")
    new.add_argument("--sheet", help="the sheet of the roster's workbook")
    new.add_argument(
        "--template",
        type=Path,
        action="append",
        default=[],
        help="a template's folder; give it several times for several, the first is the usual one",
    )
    new.set_defaults(run=event_new)
    forgetting.add_commands(event)

    batch = sub.add_parser(
        "batch", help="make the pictures and greetings of an event"
    ).add_subparsers(dest="what", required=True, metavar="run|status|add|change|frame")
    run = batch.add_parser("run", help="make all pictures and greetings that are not made yet")
    event_option(run)
    run.add_argument(
        "--again",
        action="append",
        default=[],
        metavar="SHOT",
        help="make this shot's picture once more (its number, a take's like t0001, or 'failed' for "
        "all that failed)",
    )
    run.add_argument("--device", default="auto", help="auto (usual), cpu or cuda")
    run.set_defaults(run=batch_run)

    status = batch.add_parser(
        "status", help="how each shot's picture and each take's greeting stands"
    )
    event_option(status)
    status.set_defaults(run=batch_status)

    add = batch.add_parser("add", help="add stills by hand; 'batch run' makes their pictures")
    event_option(add)
    add.add_argument("files", nargs="+", type=Path, metavar="FILE", help="JPEG, PNG or TIFF")
    add.add_argument("--template", help="name of one of the event's templates (or the usual one)")
    add.add_argument(
        "--person",
        action="append",
        default=[],
        help="roster number or part of a name; several times for several people",
    )
    add.add_argument("--plate", type=Path, help="still of the empty screen, same camera and size")
    add.add_argument(
        "--best",
        action="store_true",
        help="the files are stills of one moment: make one shot, of the best of them",
    )
    add.set_defaults(run=batch_add)

    for parser in handwork.add_commands(batch):
        event_option(parser)


def _day(text: str) -> date:
    try:
        return date.fromisoformat(text)
    except ValueError as e:
        raise argparse.ArgumentTypeError(f"'{text}' is no date like 2026-05-31") from e


def event_new(args: argparse.Namespace) -> int:
    """Make an event's folder."""
    event = Event.create(
        args.folder,
        args.name,
        day=args.date,
        roster=args.roster,
        reading=reading(Reading(), read_mapping(args.map), args.encoding, args.sheet),
        templates=args.template,
    )
    people = f"{len(event.roster)} people on the roster" if args.roster else "no roster yet"
    templates = ", ".join(event.template_names) or "none yet, copy folders into templates/"
    print(f"Made {event.paths.root}: {people}; templates: {templates}.")
    if args.roster:
        for note in event.roster.notes:
            print(f"  {note}.")
        print(f"Try every name before the event: posewall roster check --event {args.folder}")
    return 0


def batch_add(args: argparse.Namespace) -> int:
    """Make a shot of each file."""
    event = Event.open(args.event)
    with event.logging(), JobQueue(event) as queue:
        people = [event.roster.one(text).number for text in args.person]
        if args.template is not None:
            event.template(args.template)
        settings = KeySettings.from_json(dict(event.config.key))
        plate = save_plate(event, read_still(args.plate), still=args.plate) if args.plate else None
        if args.best:
            about = {"people": people, "template": args.template, "plate": plate}
            return _add_best(event, queue, args.files, settings, about)
        refused = 0
        for n, path in enumerate(args.files, 1):
            place = f"{n}/{len(args.files)}"
            try:
                shot, new = add_still(
                    event,
                    path,
                    people=people,
                    template=args.template,
                    plate=plate,
                    settings=settings,
                )
            except UserError as e:
                refused += 1
                print(f"{place} {e}", file=sys.stderr)
                continue
            queue.enqueue(shot)
            state = (
                f"added as shot {shot.number:04d}" if new else f"is shot {shot.number:04d} already"
            )
            print(f"{place} {path.name} {state}")
    if refused:
        print(f"{refused} of {len(args.files)} files were not added.", file=sys.stderr)
    return 1 if refused else 0


def _add_best(
    event: Event,
    queue: JobQueue,
    files: Sequence[Path],
    settings: KeySettings,
    about: Mapping[str, Any],
) -> int:
    """Make one shot of the best of several stills."""
    from stream.shot.best_still import add_best  # loads the networks that look at faces

    def seen(done: int, of: int) -> None:
        print(f"\r{done} of {of} stills looked at", end="", file=sys.stderr, flush=True)

    try:
        shot, new = add_best(event, files, settings=settings, seen=seen, **about)
    finally:
        print(file=sys.stderr)
    queue.enqueue(shot)
    if not new:
        print(f"these stills are shot {shot.number:04d} already")
        return 0
    choice = load_choice(event, shot.id)
    best = choice.candidates[0] if choice and choice.candidates else None
    print(f"added as shot {shot.number:04d}" + (f": {best.words}" if best else ""))
    return 0


def batch_run(args: argparse.Namespace) -> int:
    """Make the pictures and films that are not made yet; 1 when any failed."""
    event, device = Event.open(args.event), pick_device(args.device)
    output = output_of(event, event.config.pictures)
    output.check()
    output.pattern.check(texts(event.roster.people[:1]))
    print(f"Pictures: {output.said()}.", file=sys.stderr)
    with event.logging(), JobQueue(event) as queue:
        _ask_again(args.again, event, queue)
        retry_passed(event, queue)
        Sweep(event, queue)(datetime.now().astimezone())
        made = run_until_finished(event, device, lambda: (queue.jobs(), queue.films()))
    return 130 if made is None else summary(*made)


def _ask_again(wanted: Iterable[str], event: Event, queue: JobQueue) -> None:
    """Queue once more what is named, or all that failed."""
    shots: list[str] = []
    takes: list[str] = []
    for text in wanted:
        if text == "failed":
            shots += [j.shot_id for j in queue.jobs() if j.shot and j.state is State.FAILED]
            takes += [j.take_id for j in queue.films() if j.take and j.state is State.FAILED]
        elif text.strip().lower().startswith("t"):
            takes.append(find_take(event, text).id)
        else:
            shots.append(find_shot(event, text).id)
    for shot_id in dict.fromkeys(shots):
        queue.enqueue(render_again(event, shot_id))
    for take_id in dict.fromkeys(takes):
        queue.enqueue_take(change_take(event, take_id))


def batch_status(args: argparse.Namespace) -> int:
    """Say how each shot's picture and each take's films stand."""
    event = Event.open(args.event)
    with event.logging():
        # One whose program died is not being recorded, whatever its record says.
        sweep_takes(event)
    with JobQueue(event) as queue:
        jobs, films = queue.jobs(), queue.films()
    at_work = worker_at_work(event)
    if not at_work:
        # Its worker was killed: the next one begins it anew, or goes on with it.
        jobs = [replace(j, state=State.WAITING) if j.state is State.IN_WORK else j for j in jobs]
        films = [replace(j, state=State.WAITING) if j.state is State.IN_WORK else j for j in films]
    print(f"{event.name}: {len(jobs)} shots; {_counts(jobs)}.")
    if films:
        print(f"{len(films)} {'take' if len(films) == 1 else 'takes'}; {_counts(films)}.")
    what = "Pictures and greetings" if films else "Pictures"
    idle = f"No program is making {what.lower()} now."
    if any(j.state is State.WAITING for j in films):
        idle += " Times count from when one does: 'posewall batch run'."
    print(f"{what} are being made now." if at_work else idle)
    for group, folder in ((jobs, event.paths.pictures), (films, event.paths.films)):
        for job in group:
            gone = [n for n in made_names(job) if not (folder / n).exists()]
            print(f"  {line(job)}" + "".join(f"\n      {n} is no longer there" for n in gone))
    return 0


def _counts(jobs: Sequence[Job | FilmJob]) -> str:
    counts = {s: sum(j.state is s for j in jobs) for s in State}
    return ", ".join(f"{n} {s.value}" for s, n in counts.items() if n) or "none yet"
