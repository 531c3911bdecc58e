"""`event new` and `batch run`, `batch status`, `batch add`; `handwork` has the others of batch."""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Iterable, Sequence
from dataclasses import replace
from datetime import date, datetime
from pathlib import Path

from models.keyer import KeySettings
from stream.batch import handwork
from stream.batch.jobs import Job, JobQueue
from stream.batch.state import State
from stream.batch.sweep import Sweep, retry_passed
from stream.batch.worker import Worker, worker_at_work
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

BAR = 30


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

    batch = sub.add_parser("batch", help="make the pictures of an event").add_subparsers(
        dest="what", required=True, metavar="run|status|add|change|frame"
    )
    run = batch.add_parser("run", help="make all pictures that are not made yet")
    event_option(run)
    run.add_argument(
        "--again",
        action="append",
        default=[],
        metavar="SHOT",
        help="make this shot's picture once more (its number, or 'failed' for all that failed)",
    )
    run.add_argument("--device", default="auto", help="auto (usual), cpu or cuda")
    run.set_defaults(run=batch_run)

    status = batch.add_parser("status", help="how each shot's picture stands")
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


class Progress:
    """One line that counts up on a terminal; elsewhere a line for each shot that is finished."""

    def __init__(self) -> None:
        self._live = sys.stderr.isatty()
        self._told: set[str] = set()
        self._begun = False

    def show(self, jobs: Sequence[Job]) -> None:
        """Say how far it is."""
        fresh = [j for j in jobs if j.finished and j.key not in self._told]
        self._told.update(j.key for j in fresh)
        first, self._begun = not self._begun, True
        done = sum(j.finished for j in jobs)
        if not self._live:
            # What was finished before this run began is no news.
            for job in [] if first else fresh:
                print(f"{done}/{len(jobs)} {_line(job)}", file=sys.stderr, flush=True)
            return
        for job in [] if first else fresh:
            if job.notes and job.state is State.DONE:
                head, *notes = _line(job).split("\n")
                # As long as the line that counts, which it takes the place of.
                print("\n".join([f"\r{head:<{BAR + 50}}", *notes]), file=sys.stderr)
        full = BAR * done // len(jobs) if jobs else BAR
        failed = sum(j.state is State.FAILED for j in jobs)
        text = f"[{'#' * full}{'.' * (BAR - full)}] {done} of {len(jobs)} pictures"
        text += f", {failed} failed" if failed else ""
        print(f"\r{text}", end="", file=sys.stderr, flush=True)

    def end(self) -> None:
        """Leave the line."""
        if self._live:
            print(file=sys.stderr)


def batch_run(args: argparse.Namespace) -> int:
    """Make the pictures that are not made yet; 1 when any failed."""
    event, device = Event.open(args.event), pick_device(args.device)
    output = output_of(event, event.config.pictures)
    output.check()
    output.pattern.check(texts(event.roster.people[:1]))
    print(f"Pictures: {output.said()}.", file=sys.stderr)
    with event.logging(), JobQueue(event) as queue:
        for shot_id in _again(args.again, event, queue):
            queue.enqueue(render_again(event, shot_id))
        retry_passed(event, queue)
        Sweep(event, queue)(datetime.now().astimezone())
        if worker_at_work(event):
            print(
                "Another Posewall process is making this event's pictures already; this one "
                "watches it, and takes over should it end.",
                file=sys.stderr,
            )
        worker = Worker(event, device)
        progress = Progress()
        worker.start()
        try:
            while True:
                jobs = queue.jobs()
                progress.show(jobs)
                if all(j.finished for j in jobs):
                    break
                time.sleep(0.3)
        except KeyboardInterrupt:
            progress.end()
            print(
                "Stopped; the picture in work is finished first, the others stay queued.",
                file=sys.stderr,
            )
            worker.stop()
            return 130
        progress.end()
        worker.stop()
    return _summary(jobs)


def _again(wanted: Iterable[str], event: Event, queue: JobQueue) -> list[str]:
    ids: list[str] = []
    for text in wanted:
        if text == "failed":
            ids += [j.shot_id for j in queue.jobs() if j.shot and j.state is State.FAILED]
        else:
            ids.append(find_shot(event, text).id)
    return list(dict.fromkeys(ids))


def _line(job: Job) -> str:
    text = f"{job.number}  {job.state.value}"
    if job.state is State.FAILED:
        return f"{text}: {job.why}"
    if job.state is State.DONE:
        text += f": {', '.join([str(job.picture), *job.more])}"
    return text + "".join(f"\n      note: {n}" for n in job.notes)


def _summary(jobs: Sequence[Job]) -> int:
    failed = [j for j in jobs if j.state is State.FAILED]
    made = sum(j.state is State.DONE for j in jobs)
    print(f"{made} of {len(jobs)} pictures are made, {len(failed)} failed.")
    for job in failed:
        print(f"  {_line(job)}")
    return 1 if failed else 0


def batch_status(args: argparse.Namespace) -> int:
    """Say how each shot's picture stands."""
    event = Event.open(args.event)
    with JobQueue(event) as queue:
        jobs = queue.jobs()
    at_work = worker_at_work(event)
    if not at_work:
        # Its worker was killed: the next one begins it anew.
        jobs = [replace(j, state=State.WAITING) if j.state is State.IN_WORK else j for j in jobs]
    counts = {s: sum(j.state is s for j in jobs) for s in State}
    listed = ", ".join(f"{n} {s.value}" for s, n in counts.items() if n) or "none yet"
    print(f"{event.name}: {len(jobs)} shots; {listed}.")
    print("Pictures are being made now." if at_work else "No program is making pictures now.")
    for job in jobs:
        names = [n for n in (job.picture, *job.more) if n]
        gone = [n for n in names if not (event.paths.pictures / n).exists()]
        print(f"  {_line(job)}" + "".join(f"\n      {n} is no longer there" for n in gone))
    return 0
