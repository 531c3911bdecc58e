"""`open-up` and `take-back`: one picture worked on by hand in a layered editor."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from stream.batch.jobs import JobQueue
from stream.event import Event
from stream.opening.taking import take_back
from stream.opening.writing import open_up
from stream.options import event_option
from stream.shot import find_shot


def add_commands(sub: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Offer both."""
    opening = sub.add_parser(
        "open-up",
        help="write a shot's picture as an OpenRaster document whose matte can be painted",
    )
    opening.add_argument("shot", metavar="SHOT", help="number of the shot")
    opening.add_argument(
        "-o", "--out", type=Path, required=True, metavar="FILE.ora", help="the new document"
    )
    opening.add_argument(
        "--template", metavar="NAME", help="which of its pictures (the one that was posed for)"
    )
    opening.set_defaults(run=_open_up)

    taking = sub.add_parser(
        "take-back", help="read a document back: the next pictures use its matte and retouch"
    )
    taking.add_argument("file", type=Path, metavar="FILE.ora", help="the document as it was saved")
    taking.set_defaults(run=_take_back)
    for parser in (opening, taking):
        event_option(parser)


def _open_up(args: argparse.Namespace) -> int:
    event = Event.open(args.event)
    shot = find_shot(event, args.shot)
    print("Every layer is written at the size of the print, which takes a while.", file=sys.stderr)
    with event.logging():
        notes = open_up(event, shot, args.out, args.template)
    for note in notes:
        print(f"note: {note}", file=sys.stderr)
    print(
        f"{args.out}: paint in the layer 'Matte' (erase what goes, paint white what stays) and on "
        f"'Retouch', save it, then: posewall take-back {args.out}"
    )
    return 0


def _take_back(args: argparse.Namespace) -> int:
    event = Event.open(args.event)
    with event.logging(), JobQueue(event) as queue:
        taken, again = take_back(event, args.file)
        for shot in again:
            queue.enqueue(shot)
    for one in taken:
        if one.ignored:
            print(
                f"shot {one.shot.number:04d}: {', '.join(one.ignored)} not read back; merge into "
                "'Retouch' what is to stay",
                file=sys.stderr,
            )
        if not one.new:
            print(f"shot {one.shot.number:04d}: nothing was painted that is not kept already")
            continue
        what = [f"{one.matte:.1%} of its matte painted"] if one.matte else []
        what += ["retouched"] if one.retouched else []
        said = ", ".join(what) or "its retouch taken away"
        print(f"shot {one.shot.number:04d}: {said}; 'posewall batch run' makes {one.shot.picture}")
    return 0
