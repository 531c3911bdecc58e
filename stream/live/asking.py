"""The commands that ask a running live program: grab, best, take, plate, next.

The heavy modules are loaded by the command that needs them: a grab from another terminal should
not wait for them.
"""

from __future__ import annotations

import argparse
import sys
import time
from pathlib import Path
from typing import TYPE_CHECKING, Any
from urllib.parse import quote

from stream.errors import UserError

if TYPE_CHECKING:
    from stream.event import Event

LOOK_AGAIN_S = 0.3


def positive(text: str) -> float:
    """A number of seconds above 0."""
    try:
        value = float(text)
    except ValueError:
        value = 0.0
    if not 0 < value < float("inf"):
        raise argparse.ArgumentTypeError(f"got {text}; need a number above 0")
    return value


def not_negative(text: str) -> float:
    """A number of seconds, 0 or above."""
    return 0.0 if text.strip() in ("0", "0.0") else positive(text)


def _event(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--event", required=True, type=Path, metavar="DIR", help="the event's folder"
    )


def add_asking(sub: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Offer grab, best, take, plate and next."""
    grab = sub.add_parser(
        "grab",
        help="keep the picture of this moment",
        description="Keep the frame of this moment in the running live program. Prints the "
        "shot's id once it is safe on disk. With --best the shot is then made of the best frame of "
        "the last seconds, which is printed once it is chosen.",
    )
    _event(grab)
    grab.add_argument(
        "--best", action="store_true", help="use the best frame of the last seconds, keep others"
    )
    grab.add_argument(
        "--seconds",
        type=positive,
        metavar="N",
        help="with --best: how far back (usually 2; at most what is remembered, up to 6 s, some 3 "
        "s at 1920x1080; where that is less, it is said)",
    )
    grab.set_defaults(run=run_grab)

    best = sub.add_parser(
        "best",
        help="show the frames that a shot may be made of, or take another",
        description="List the frames that were kept beside a shot, the best first and why; with "
        "--use the shot is made of another of them: its picture becomes another file, the "
        "earlier one stays.",
    )
    best.add_argument("shot", metavar="SHOT", help="the shot's number")
    best.add_argument("--use", type=int, metavar="N", help="make the shot of this frame")
    _event(best)
    best.set_defaults(run=run_best)

    take = sub.add_parser(
        "take",
        help="record a greeting: start, stop",
        description="Record picture and sound in the running live program, for a greeting. It "
        "ends by itself.",
    )
    acts = take.add_subparsers(metavar="ACT", required=True)
    start = acts.add_parser(
        "start",
        help="count, then record",
        description="Count on the stage, then record. Prints the take's id once it is being "
        "recorded.",
    )
    start.add_argument(
        "--in",
        dest="count_s",
        type=not_negative,
        default=3.0,
        metavar="S",
        help="count so many seconds before (default: 3; 0 for none)",
    )
    start.add_argument(
        "--longest",
        dest="most_s",
        type=positive,
        metavar="S",
        help="end by itself after so many seconds, those of --before among them (usually 20, or "
        "what [films] of event.toml says)",
    )
    start.add_argument(
        "--before",
        dest="before_s",
        type=not_negative,
        default=0.0,
        metavar="S",
        help="let so many seconds before the recording begins belong to it",
    )
    _event(start)
    start.set_defaults(run=run_take_start)
    stop = acts.add_parser(
        "stop",
        help="end the recording",
        description="End the recording. Prints the take's id once it is safe on disk.",
    )
    _event(stop)
    stop.set_defaults(run=run_take_stop)

    plate = sub.add_parser(
        "plate",
        help="take the clean plate: the empty screen",
        description="Keep the frame of this moment as the clean plate of the running live "
        "program. Nobody may stand before the screen.",
    )
    _event(plate)
    plate.add_argument("--drop", action="store_true", help="do without a clean plate instead")
    plate.set_defaults(run=run_plate)

    after = sub.add_parser(
        "next",
        help="say who is in the next shots",
        description="Say who is in the next shots, by number or name; several people, or none "
        "for pictures that belong to nobody by name.",
    )
    after.add_argument("people", nargs="*", metavar="PERSON", help="number or name on the roster")
    after.add_argument(
        "--template", metavar="NAME", help="show them in this template (or the one they ordered)"
    )
    _event(after)
    after.set_defaults(run=run_next)


def _asked(
    args: argparse.Namespace, path: str, words: dict[str, Any] | None = None
) -> dict[str, Any]:
    from stream.live.link import ask, find_link

    return ask(find_link(args.event), path, words)


def run_grab(args: argparse.Namespace) -> int:
    """Keep the frame of the moment at which this process was started."""
    from stream.live.link import started_ago_s

    if args.seconds is not None and not args.best:
        raise UserError("--seconds belongs to --best; give both, or none.")
    words: dict[str, Any] = {"age_s": started_ago_s()}
    if args.best:
        words["best_s"] = args.seconds or 0.0  # 0: as usual
    kept = _asked(args, "/grab", words)
    print(kept["shot"], flush=True)
    if kept.get("best"):
        if kept.get("short"):
            print(kept["sentence"], file=sys.stderr)
        print(_chosen(args, kept["shot"]))
    elif kept.get("note") or args.best:
        print(kept["sentence"], file=sys.stderr)
    return 0


def _chosen(args: argparse.Namespace, shot: str) -> str:
    """What was chosen, once it is; the process that shows the picture goes on meanwhile."""
    while (found := _asked(args, f"/best?shot={quote(shot)}"))["choosing"]:
        time.sleep(LOOK_AGAIN_S)
    for frame in found["frames"]:
        if frame["in_use"]:
            return f"{frame['place']} of {found['looked_at']}: {frame['words']}"
    return "the frame of the press is used; the event's log says why"


def run_best(args: argparse.Namespace) -> int:
    """List the frames beside a shot, or take another; without a live program, too."""
    from stream.event import Event
    from stream.live.beside import frames_beside

    event = Event.open(args.event)
    if args.use is not None:
        print(_take_frame(args, event))
        return 0
    found = frames_beside(event, args.shot)
    if found["choosing"]:
        print(f"The best frame of shot {found['shot']} is being chosen.")
    elif not found["frames"]:
        raise UserError(f"shot {found['shot']} has no other frames; 'grab --best' keeps some.")
    for frame in found["frames"]:
        print(f"{frame['place']}  {'in use ' if frame['in_use'] else '       '} {frame['words']}")
    return 0


def _take_frame(args: argparse.Namespace, event: Event) -> str:
    from stream.batch import enqueue
    from stream.live.link import NotAnsweredError, ask, read_link
    from stream.shot import find_shot
    from stream.shot.choice import take_candidate

    link = read_link(event.paths.root)
    if link is not None and link.alive():
        # Its pages show at once what was taken. One that died is left behind by its file alone.
        try:
            words = {"shot": args.shot, "place": args.use}
            return str(ask(link, "/best", words)["sentence"])
        except NotAnsweredError:
            pass
    with event.logging():
        shot = take_candidate(event, find_shot(event, args.shot).id, args.use)
        enqueue(event, shot.id)
    return (
        f"Shot {shot.id} is made of its frame {args.use}; its picture is made by "
        "'posewall live' or 'posewall batch run'"
    )


def run_take_start(args: argparse.Namespace) -> int:
    """Count, and record from then on."""
    from stream.live.link import started_ago_s

    words = {
        "do": "start",
        "count_s": args.count_s,
        "most_s": args.most_s,
        "before_s": args.before_s,
        "age_s": started_ago_s(),
    }
    begun = _asked(args, "/take", words)
    print(begun["take"])
    print(begun["sentence"], file=sys.stderr)
    return 0


def run_take_stop(args: argparse.Namespace) -> int:
    """End the recording, or the count before it."""
    kept = _asked(args, "/take", {"do": "stop"})
    if kept.get("take"):
        print(kept["take"], flush=True)
    print(kept["sentence"], file=sys.stderr)
    return 0


def run_plate(args: argparse.Namespace) -> int:
    """Take the clean plate, or drop it."""
    from stream.live.link import started_ago_s

    words = {"drop": True} if args.drop else {"age_s": started_ago_s()}
    print(_asked(args, "/plate", words)["sentence"])
    return 0


def run_next(args: argparse.Namespace) -> int:
    """Say who is in the next shots."""
    words = {"people": args.people, "template": args.template}
    print(_asked(args, "/next", words)["sentence"])
    return 0
