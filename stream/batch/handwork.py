"""`batch change` and `batch frame`: a kept shot keyed otherwise, and its frame to paint on."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from models.color import to_codes
from models.errors import PosewallError
from models.transfer import Transfer, encode
from models.upright import Upright
from stream.batch.jobs import JobQueue
from stream.cut import write_png
from stream.errors import UserError
from stream.event import Event
from stream.key_options import add_key_options, given_settings
from stream.people.orders import read_size
from stream.shot import Shot, change_shot, find_shot, load_frame
from stream.template import Nudge
from stream.template.paper import PAPERS


def add_commands(
    sub: argparse._SubParsersAction[argparse.ArgumentParser],
) -> tuple[argparse.ArgumentParser, ...]:
    """Offer both; returns their parsers, which lack the event's option."""
    change = sub.add_parser(
        "change",
        help="key a kept shot otherwise; 'batch run' makes the new picture, the earlier one stays",
    )
    change.add_argument("shots", nargs="+", metavar="SHOT", help="number of a shot")
    add_key_options(change)
    change.add_argument(
        "--light-wrap",
        type=float,
        metavar="0-1",
        help="how much of the background's light spills over the subject's edge",
    )
    placed = change.add_argument_group("where and for whom")
    placed.add_argument(
        "--right", type=float, metavar="%", help="move the subject right, in %% of the picture"
    )
    placed.add_argument(
        "--down", type=float, metavar="%", help="move the subject down, in %% of the picture"
    )
    placed.add_argument(
        "--scale", type=float, metavar="TIMES", help="make the subject so many times as large"
    )
    placed.add_argument(
        "--as-designed", action="store_true", help="neither moved nor scaled: as the template says"
    )
    placed.add_argument(
        "--beside",
        action="append",
        metavar="SHOT",
        help="a shot for the template's next slot; several times for several, '' for none",
    )
    placed.add_argument(
        "--person",
        action="append",
        metavar="NUMBER",
        help="who is really in it: number or part of a name; several times for several people",
    )
    placed.add_argument("--template", metavar="NAME", help="make it with this template")
    placed.add_argument("--size", metavar="PAPER", help="make it for this paper, such as 5x7")
    change.add_argument(
        "--no-paint", action="store_true", help="no longer use what 'take-back' brought"
    )
    painted = change.add_mutually_exclusive_group()
    painted.add_argument(
        "--mask",
        type=Path,
        help="PNG painted over the picture of 'batch frame': white is kept, black cut away",
    )
    painted.add_argument(
        "--no-mask", action="store_true", help="no longer use the mask that was painted"
    )
    change.set_defaults(run=batch_change)

    frame = sub.add_parser(
        "frame", help="write a shot's frame as an upright PNG to paint a mask on"
    )
    frame.add_argument("shot", metavar="SHOT", help="number of the shot")
    frame.add_argument("--out", type=Path, default=Path(), help="folder for it (the current one)")
    frame.set_defaults(run=batch_frame)
    return change, frame


def _wishes(event: Event, args: argparse.Namespace) -> dict[str, Any]:
    """What else `change_shot` is asked for, beside key settings; what was not given is left out.

    Raises:
        UserError: a person, template, paper or shot that there is not.
    """
    size = None if args.size is None else read_size(args.size)
    if args.size is not None and size is None:
        raise UserError(f"there is no paper '{args.size}'; give one of {', '.join(PAPERS)}.")
    people = None if args.person is None else [event.roster.one(t).number for t in args.person]
    beside = None
    if args.beside is not None:
        beside = [find_shot(event, text).id for text in args.beside if text.strip()]
    wishes = {
        "mask": args.mask,
        "drop_mask": args.no_mask or None,
        "drop_by_hand": args.no_paint or None,
        "people": people,
        "template": None if args.template is None else event.template(args.template),
        "size": size,
        "beside": beside,
    }
    return {name: wish for name, wish in wishes.items() if wish is not None}


def _nudged(shot: Shot, moved: Mapping[str, float], as_designed: bool) -> Nudge | None:
    """A shot's nudge with what was given of it changed; None where nothing was."""
    if not moved and not as_designed:
        return None
    return Nudge.from_json(moved if as_designed else {**shot.nudge, **moved})


def batch_change(args: argparse.Namespace) -> int:
    """Change shots and queue their new pictures; 1 when any was refused."""
    event, given = Event.open(args.event), given_settings(args)
    wishes = _wishes(event, args)
    moves = {"right": args.right, "down": args.down, "scale": args.scale}
    moved = {name: value for name, value in moves.items() if value is not None}
    if not (given or wishes or moved or args.as_designed):
        raise UserError("nothing to change was given; name a setting, such as --despill 0.8.")
    refused = 0
    with event.logging(), JobQueue(event) as queue:
        for text in args.shots:
            try:
                before = find_shot(event, text)
                nudge = _nudged(before, moved, args.as_designed)
                shot = change_shot(event, before.id, given, nudge=nudge, **wishes)
            except PosewallError as e:
                refused += 1
                print(f"{text}: {e}", file=sys.stderr)
                continue
            if shot.render == before.render:
                print(f"shot {shot.number:04d} is so already")
                continue
            queue.enqueue(shot)
            was = shot.earlier[-1]["picture"]
            made = (event.paths.pictures / was).exists()
            stays = f"; {was} stays as it is" if made else ""
            new = ", ".join(w.picture for w in shot.wanted)
            print(f"shot {shot.number:04d}: 'batch run' makes {new}{stays}")
    return 1 if refused else 0


def batch_frame(args: argparse.Namespace) -> int:
    """Write a shot's frame, upright, at full size."""
    event = Event.open(args.event)
    shot = find_shot(event, args.shot)
    frame = load_frame(event, shot)
    upright = Upright(frame.planes, frame.encoding, frame.quarter_turns)
    whole = upright.linear(slice(0, upright.size[0]), slice(0, upright.size[1]))
    path = args.out / f"{shot.number:04d}.frame.png"
    if path.exists():
        raise UserError(f"{path} is there already; move it away or choose another --out.")
    try:
        args.out.mkdir(parents=True, exist_ok=True)
    except OSError as e:
        raise UserError(f"{args.out}: this folder could not be made ({e.strerror}).") from e
    write_png(path, to_codes(encode(whole, Transfer.SRGB).flip(1), 8).numpy())
    print(f"{path}: {upright.size[1]}x{upright.size[0]}; paint its mask over it")
    return 0
