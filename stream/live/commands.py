"""The commands of the live program: live, and those that ask a running one."""

from __future__ import annotations

import argparse
import signal
import threading
import time
from pathlib import Path
from typing import TYPE_CHECKING, Any

from stream.errors import UserError
from stream.live.asking import add_asking, positive
from stream.live.terminal import Terminal
from stream.pages.address import DEFAULT_PORT

if TYPE_CHECKING:
    from stream.live.session import Session

ENDING = "Ending; what was pressed is kept first, and the picture in work is finished."
ENDED = (
    "Ended; {kept} kept since the start. Pictures and greetings that are not made yet are made at "
    "the next start, or by `posewall batch run`."
)


def _height(text: str) -> int:
    if not (text.isdecimal() and 120 <= int(text) <= 4320):
        raise argparse.ArgumentTypeError(f"got {text}; need 120 to 4320 pixels")
    return int(text)


def _port(text: str) -> int:
    if not (text.isdecimal() and int(text) <= 65535):
        raise argparse.ArgumentTypeError(f"got {text}; need 1024 to 65535, or 0 for any free one")
    return int(text)


def add_commands(sub: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Offer live, and what a running one can be asked for."""
    live = sub.add_parser(
        "live",
        help="show the live composite, and keep shots",
        description="Key a live source into the template and show it on two pages of this "
        "machine: the stage for the subject and the desk for the operator. A grab keeps the "
        "frame of that moment at full resolution.",
    )
    live.add_argument("--event", required=True, type=Path, metavar="DIR", help="the event's folder")
    live.add_argument(
        "--source", required=True, help="camera, address or file that the pictures come from"
    )
    live.add_argument(
        "--turn",
        type=int,
        choices=(0, 90, 180, 270),
        help="turn clockwise by so many degrees, for a camera on its side "
        "(otherwise as the source says)",
    )
    live.add_argument(
        "--mirror",
        action="store_true",
        help="let the stage act as a mirror; desk and prints are never mirrored",
    )
    live.add_argument("--template", metavar="NAME", help="template (otherwise the event's own)")
    live.add_argument(
        "--stills",
        type=Path,
        metavar="DIR",
        help="folder that a tethered camera delivers into; a grab then takes its next still",
    )
    live.add_argument(
        "--port", type=_port, default=DEFAULT_PORT, help="of the pages (default: %(default)s)"
    )
    live.add_argument(
        "--device", choices=("auto", "cpu", "cuda"), default="auto", help="what keys the picture"
    )
    live.add_argument(
        "--preview-height",
        type=_height,
        default=720,
        metavar="PX",
        help="height of the live picture (default: %(default)s)",
    )
    live.add_argument(
        "--plate", type=Path, metavar="FILE", help="clean plate: a still of the screen"
    )
    live.add_argument(
        "--for", dest="for_s", type=positive, metavar="SECONDS", help="end after so many seconds"
    )
    live.add_argument("--once", action="store_true", help="end when a file has been played")
    live.add_argument(
        "--no-batch",
        dest="batch",
        action="store_false",
        help="do not make the pictures beside the live program; they stay queued",
    )
    live.add_argument(
        "--sound",
        metavar="WHAT",
        help="sound of greetings: a microphone's number or name, own for the source's own track, "
        "none (otherwise the own track where there is one, else the first microphone)",
    )
    live.set_defaults(run=run_live)
    add_asking(sub)


def run_live(args: argparse.Namespace) -> int:
    """Run until the source ends (``--once``), the time is up, or the user ends it."""
    screen = Terminal()
    screen.say("Getting ready")
    from stream import compiled_code

    compiled_code.keep()
    from stream.event import Event
    from stream.live.session import Session
    from stream.live.wishes import Wishes

    event = Event.open(args.event)
    wishes = Wishes(
        source=args.source,
        turn=args.turn,
        mirror=args.mirror,
        template=args.template,
        stills=args.stills,
        port=args.port,
        device=args.device,
        preview_height=args.preview_height,
        plate=args.plate,
        once=args.once,
        batch=args.batch,
        sound=args.sound,
    )
    ended = threading.Event()
    for sign in (signal.SIGINT, signal.SIGTERM):
        signal.signal(sign, lambda *_: ended.set())
    with event.logging():
        session = Session(event, wishes, tell=screen.say)
        begun = False
        try:
            session.start()
            begun = True
            _run_until(session, ended, args.for_s, screen)
        finally:
            screen.end()
            if begun:
                screen.say(ENDING)
            session.stop()
        screen.say(ENDED.format(kept=session.console.kept_words))
    return 0


def _run_until(
    session: Session, ended: threading.Event, for_s: float | None, screen: Terminal
) -> None:
    from stream.live.presses import HELP, TerminalKeys

    console = session.console
    acts = {
        "grab": lambda: console.grab(0.0),
        "best": lambda: console.grab(0.0, best_s=0.0),
        "plate": lambda: console.plate(0.0),
        "take": console.press_take,
    }

    def act(key: str) -> None:
        if key == "quit":
            ended.set()
            return
        try:
            future = acts[key]()
        except UserError as error:
            screen.say(str(error))
        else:
            future.add_done_callback(lambda f: _told(f, screen))

    end = None if for_s is None else time.monotonic() + for_s
    with TerminalKeys(act) as keys:
        if keys.active:
            screen.say(HELP)
        while not ended.is_set() and (end is None or time.monotonic() < end):
            if session.finished(0.2):
                return
            screen.status(console.line)


def _told(future: Any, screen: Terminal) -> None:
    # The sentence of a failure was told where it happened.
    if future.exception() is None:
        screen.say(future.result()["sentence"])
