"""`greet`: the greetings of takes made, or made once more; also of clips that are given by hand."""

from __future__ import annotations

import argparse
import re
import sys
from collections.abc import Sequence
from datetime import datetime
from pathlib import Path

from models.errors import PosewallError
from models.keyer import KeySettings
from stream.batch.film_jobs import FilmJob
from stream.batch.forecast import expected
from stream.batch.jobs import JobQueue
from stream.batch.running import Jobs, run_until_finished
from stream.batch.state import State
from stream.batch.sweep import Sweep
from stream.batch.telling import line, percent
from stream.capture.still_file import RAW_SUFFIXES, STILL_SUFFIXES
from stream.capture.stills import read_still
from stream.config import FILM_SHAPES
from stream.device import pick_device
from stream.event import Event
from stream.options import event_option
from stream.shot import save_plate
from stream.take import Take, TakeError, find_take
from stream.take.adding import add_clip
from stream.take.changes import change_take
from stream.template import Template

_TAKE = re.compile(r"t?\d+(-[0-9a-f]{6})?", re.IGNORECASE)


def _second(text: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = -1.0
    if not 0 <= value < float("inf"):
        raise argparse.ArgumentTypeError(f"got {text}; need seconds from 0 on, such as 2.5")
    return value


def add_commands(sub: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Offer greet."""
    greet = sub.add_parser(
        "greet",
        help="make the greetings of takes or clips",
        description="Make the greeting of a take, or make it once more: every frame keyed like a "
        "print, in the template with its cards and music, as a film for phones. A greeting that "
        "is made once more takes the place of the one before. What is not given stays as it was.",
    )
    greet.add_argument(
        "takes",
        nargs="+",
        metavar="TAKE|FILE",
        help="number of a take, or a clip that a take is made of first",
    )
    event_option(greet)
    greet.add_argument(
        "--person",
        action="append",
        metavar="NUMBER",
        help="who is in it: number or part of a name; several times for several people",
    )
    greet.add_argument("--template", metavar="NAME", help="make it with this template")
    greet.add_argument(
        "--plate", type=Path, metavar="FILE", help="still of the empty screen, same camera and size"
    )
    greet.add_argument(
        "--shape",
        action="append",
        choices=FILM_SHAPES,
        default=[],
        help="make it in this shape too: wide is 1920x1080, tall 1080x1920; several times for "
        "several (otherwise as [films] of event.toml says)",
    )
    greet.add_argument(
        "--from",
        dest="begin_s",
        type=_second,
        metavar="S",
        help="show it from this second of the recording on; what was recorded before the press "
        "counts",
    )
    greet.add_argument(
        "--to", dest="end_s", type=_second, metavar="S", help="show it up to this second"
    )
    greet.add_argument("--device", default="auto", help="auto (usual), cpu or cuda")
    greet.add_argument(
        "--no-wait",
        dest="wait",
        action="store_false",
        help="queue it only: the live program or 'batch run' makes it",
    )
    greet.set_defaults(run=run_greet)


def run_greet(args: argparse.Namespace) -> int:
    """Make greetings; 1 when any was refused or failed."""
    event, device = Event.open(args.event), pick_device(args.device)
    people = None if args.person is None else [event.roster.one(t).number for t in args.person]
    template = None if args.template is None else event.template(args.template)
    with event.logging(), JobQueue(event) as queue:
        plate = save_plate(event, read_still(args.plate)) if args.plate else None
        # A take whose program died may be one of those that are named.
        Sweep(event, queue)(datetime.now().astimezone())
        asked: list[Take] = []
        refused = 0
        for n, text in enumerate(args.takes, 1):
            try:
                take = _asked(event, text, args, people, template, plate)
            except PosewallError as e:
                refused += 1
                print(f"{n}/{len(args.takes)} {e}", file=sys.stderr)
                continue
            queue.enqueue_take(take)
            asked.append(take)
            names = ", ".join(f.film for f in take.films)
            made = f"; 'batch run' makes {names}" if not args.wait else ""
            new = "" if _TAKE.fullmatch(text) else f"{Path(text).name} added as "
            print(f"{n}/{len(args.takes)} {new}take t{take.number:04d}{made}")
        if not args.wait or not asked:
            return 1 if refused else 0
        ids = {t.id for t in asked}
        films = queue.films()
        own = [j for j in films if j.take_id in ids and j.state in (State.IN_WORK, State.WAITING)]
        last = max(own, key=lambda j: j.ahead, default=None)
        before = [
            j
            for j in films
            if j.take_id not in ids
            and j.state in (State.IN_WORK, State.WAITING)
            and (last is None or j.ahead < last.ahead)
        ]
        if before:
            listed = ", ".join(
                j.number + (f" ({percent(j.share)} made)" if j.share is not None else "")
                for j in sorted(before, key=lambda j: j.ahead)
            )
            print(f"Asked for earlier, and made first: {listed}", file=sys.stderr)
        if last is not None:
            words = expected(last.left_s, len(before))
            if last.left_s is None:
                told = f"{words[:1].upper()}{words[1:]}."
            else:
                told = f"Expected: {words}."
            print(told, file=sys.stderr)
        ended = run_until_finished(event, device, lambda: _those(queue, ids))
    if ended is None:
        return 130
    failed = _told(event, ended[1])
    return 1 if refused or failed else 0


def _those(queue: JobQueue, ids: set[str]) -> Jobs:
    return [], [job for job in queue.films() if job.take_id in ids]


def _asked(
    event: Event,
    text: str,
    args: argparse.Namespace,
    people: Sequence[str] | None,
    template: Template | None,
    plate: str | None,
) -> Take:
    """The take that is meant, its films to be made.

    Raises:
        PosewallError: there is none, or it cannot be as it was asked for.
    """
    if _TAKE.fullmatch(text):
        return change_take(
            event,
            find_take(event, text).id,
            people=people,
            template=template,
            plate=plate,
            shapes=args.shape,
            begin_s=args.begin_s,
            end_s=args.end_s,
        )
    if not Path(text).is_file():
        raise TakeError(
            f"'{text}' is neither a take's number nor a clip that is there; 'posewall batch "
            "status' lists the takes."
        )
    if Path(text).suffix.lower() in STILL_SUFFIXES | RAW_SUFFIXES:
        raise TakeError(
            f"{text} is a photograph; a greeting is made of a clip. For a picture of it: 'posewall "
            "batch add'."
        )
    return add_clip(
        event,
        Path(text),
        settings=KeySettings.from_json(dict(event.config.key)),
        people=people or (),
        template=template,
        plate=plate,
        shapes=args.shape or event.config.film_shapes or FILM_SHAPES[:1],
        begin_s=args.begin_s or 0.0,
        end_s=args.end_s,
        seen=_seen,
    )


def _seen(seconds: float) -> None:
    if sys.stderr.isatty():
        print(f"\r{seconds:.0f} s copied ", end="", file=sys.stderr, flush=True)


def _told(event: Event, films: Sequence[FilmJob]) -> int:
    """Say what became of each; how many failed."""
    for job in films:
        if job.state is State.DONE:
            where = ", ".join(str(event.paths.films / f) for f in job.films)
            notes = "".join(f"\n      note: {n}" for n in job.notes)
            print(f"{job.number}: {where}{notes}")
        else:
            print(line(job), file=sys.stderr)
    return sum(job.state is State.FAILED for job in films)
