"""The commands of the live program: live, grab, plate, next.

The heavy modules are loaded by the command that needs them: a grab from another terminal should
not wait for them.
"""

from __future__ import annotations

import argparse
import shutil
import signal
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

from stream.errors import UserError
from stream.pages.address import DEFAULT_PORT

if TYPE_CHECKING:
    from stream.live.session import Session

ENDING = "Ending; what was pressed is kept first, and the picture in work is finished."
ENDED = (
    "Ended; {shots} kept since the start. Pictures that are not made yet are made at the next "
    "start, or by `posewall batch run`."
)


def _positive(text: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = 0.0
    if not 0 < value < float("inf"):
        raise argparse.ArgumentTypeError(f"got {text}; need a number above 0")
    return value


def _height(text: str) -> int:
    if not (text.isdecimal() and 120 <= int(text) <= 4320):
        raise argparse.ArgumentTypeError(f"got {text}; need 120 to 4320 pixels")
    return int(text)


def _port(text: str) -> int:
    if not (text.isdecimal() and int(text) <= 65535):
        raise argparse.ArgumentTypeError(f"got {text}; need 1024 to 65535, or 0 for any free one")
    return int(text)


def add_commands(sub: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Offer live, grab, plate and next."""
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
        "--for", dest="for_s", type=_positive, metavar="SECONDS", help="end after so many seconds"
    )
    live.add_argument("--once", action="store_true", help="end when a file has been played")
    live.add_argument(
        "--no-batch",
        dest="batch",
        action="store_false",
        help="do not make the pictures beside the live program; they stay queued",
    )
    live.set_defaults(run=run_live)

    grab = sub.add_parser(
        "grab",
        help="keep the picture of this moment",
        description="Keep the frame of this moment in the running live program. Prints the "
        "shot's id once it is safe on disk.",
    )
    grab.add_argument("--event", required=True, type=Path, metavar="DIR", help="the event's folder")
    grab.set_defaults(run=run_grab)

    plate = sub.add_parser(
        "plate",
        help="take the clean plate: the empty screen",
        description="Keep the frame of this moment as the clean plate of the running live "
        "program. Nobody may stand before the screen.",
    )
    plate.add_argument(
        "--event", required=True, type=Path, metavar="DIR", help="the event's folder"
    )
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
    after.add_argument(
        "--event", required=True, type=Path, metavar="DIR", help="the event's folder"
    )
    after.set_defaults(run=run_next)


def _asked(args: argparse.Namespace, path: str, words: dict[str, Any]) -> dict[str, Any]:
    from stream.live.link import ask, find_link

    return ask(find_link(args.event), path, words)


def run_grab(args: argparse.Namespace) -> int:
    """Keep the frame of the moment at which this process was started."""
    from stream.live.link import started_ago_s

    kept = _asked(args, "/grab", {"age_s": started_ago_s()})
    print(kept["shot"])
    if kept.get("note"):
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


def run_live(args: argparse.Namespace) -> int:
    """Run until the source ends (``--once``), the time is up, or the user ends it."""
    screen = _Screen()
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
        kept = session.state()["kept"]
        screen.say(ENDED.format(shots="1 shot" if kept == 1 else f"{kept} shots"))
    return 0


def _run_until(
    session: Session, ended: threading.Event, for_s: float | None, screen: _Screen
) -> None:
    from stream.live.presses import HELP, TerminalKeys

    def act(key: str) -> None:
        if key == "quit":
            ended.set()
            return
        try:
            future = session.grab(0.0) if key == "grab" else session.plate(0.0)
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
            screen.status(session.line)


def _told(future: Any, screen: _Screen) -> None:
    # The sentence of a failure was told where it happened.
    if future.exception() is None:
        screen.say(future.result()["sentence"])


class _Screen:
    """The terminal: sentences stay, the status line under them is written anew."""

    EVERY_S = 1.0
    # A log file wants a line now and then, not one a second.
    EVERY_PLAIN_S = 10.0

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._lively = sys.stderr.isatty()
        self._again = time.monotonic() + self.EVERY_S
        self._line = ""

    def say(self, sentence: str) -> None:
        with self._lock:
            self._wipe()
            print(sentence, file=sys.stderr, flush=True)

    def status(self, line: Callable[[int | None], str]) -> None:
        """Write the line anew when it is time; it is told how many columns there are."""
        if time.monotonic() < self._again:
            return
        self._again = time.monotonic() + (self.EVERY_S if self._lively else self.EVERY_PLAIN_S)
        # A line that wraps could not be written over.
        columns = shutil.get_terminal_size().columns - 1 if self._lively else None
        # Not under the lock: working it out may find something to say.
        words = line(columns)[:columns]
        with self._lock:
            if self._lively:
                self._wipe()
                self._line = words
            print(words, end="" if self._lively else "\n", file=sys.stderr, flush=True)

    def end(self) -> None:
        with self._lock:
            if self._line:
                print(file=sys.stderr, flush=True)
                self._line = ""

    def _wipe(self) -> None:
        if self._line:
            # ISO/IEC 6429 (ECMA-48): CR, then EL erases to the end of the line
            print("\r\x1b[K", end="", file=sys.stderr)
            self._line = ""
