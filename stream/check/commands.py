"""`check`: how the screen is lit, in words and as a picture, and what to change."""

from __future__ import annotations

import argparse
import json
import sys
import textwrap
from dataclasses import asdict
from pathlib import Path

from models.screen import Hue
from models.screencheck import Report, measure
from models.upright import Upright
from stream.capture.frame import Frame
from stream.capture.source import open_source
from stream.capture.stills import RAW_SUFFIXES, STILL_SUFFIXES, read_still
from stream.check.picture import draw
from stream.check.words import Finding, headline, judge, remarks
from stream.drawn_file import drawn_target, save_drawn
from stream.errors import UserError

ENDING = ".check.jpg"  # in OWN_ENDINGS, so that no camera folder takes it for a still
# chosen: ten seconds of a clip that begins in the dark or before the camera was aimed.
MOST_FRAMES = 300
TURNS = (0, 90, 180, 270)


def add_commands(sub: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Offer check."""
    check = sub.add_parser(
        "check",
        help="see how the screen is lit and what to change",
        description="Reads a picture with people or of the empty screen and says how the screen "
        "is lit: evenness in stops, exposure, colour, noise, folds, shadow, spill and border, and "
        "what to change. A picture with the map of the light lies beside the file, as "
        f"NAME{ENDING}.",
    )
    check.add_argument("file", type=Path, metavar="FILE", help="a still, or a clip: its first "
                       "frame with a screen")  # fmt: skip
    check.add_argument(
        "--plate", type=Path, help="still of the empty screen, same camera, size and light"
    )
    check.add_argument(
        "--screen",
        choices=["auto", "green", "blue"],
        default="auto",
        help="the screen's colour; auto (usual) finds it",
    )
    check.add_argument(
        "--out",
        type=Path,
        metavar="PICTURE",
        help="where the picture goes, .jpg or .png, under a new name; usual: beside the file, as "
        f"NAME{ENDING}, which is replaced",
    )
    check.add_argument(
        "--turn", type=int, choices=TURNS, help="turn clockwise by so many degrees to stand upright"
    )
    check.add_argument("--json", action="store_true", help="print the findings as JSON instead")
    check.set_defaults(run=run)


def _upright(frame: Frame) -> Upright:
    return Upright(frame.planes, frame.encoding, frame.quarter_turns)


def _missing(what: str, color: str) -> UserError:
    screen = "green or blue" if color == "auto" else color
    return UserError(
        f"{what}: no {screen} screen is to be seen; need a picture in which bare screen shows; "
        "light the screen, or name its colour with --screen"
    )


def _measured(path: Path, color: str, turns: int | None, plate: Upright | None) -> tuple[
    Upright, Report
]:  # fmt: skip
    """A still, or the first frame of a clip that shows a screen, with its measures."""
    wanted = None if color == "auto" else Hue[color.upper()]
    if path.suffix.lower() in STILL_SUFFIXES | RAW_SUFFIXES:
        frame = _upright(read_still(path, quarter_turns=turns))
        report = measure(frame, wanted, plate)
        if report is None:
            raise _missing(str(path), color)
        return frame, report
    source = open_source(str(path), quarter_turns=turns, paced=False)
    source.open()
    shown = sys.stderr.isatty()
    count = 0
    try:
        while count < MOST_FRAMES and (taken := source.read()) is not None:
            count += 1
            frame = _upright(taken)
            report = measure(frame, wanted, plate)
            if report is not None:
                return frame, report
            if shown:
                print(f"\r{path.name}: {count}", end="", file=sys.stderr, flush=True)
    finally:
        source.close()
        if shown:
            print("\r\x1b[K", end="", file=sys.stderr)
    raise _missing(f"{path}, its first {count} frames", color)


def _require(path: Path) -> None:
    """Refuse what cannot be read before anything is compared with it."""
    if path.is_dir():
        raise UserError(f"{path}: this is a folder; name one picture or clip in it")
    if not path.exists():
        raise UserError(f"{path}: there is no such file; check the name")


def _target(path: Path, plate: Path | None, out: Path | None) -> Path:
    """Where the picture goes; over nothing but an earlier picture of a check.

    Args:
        path: what is checked; it exists.
        plate: the clean plate, which exists, or None.
        out: what the user wants, or None.
    """
    never = [(path, "the file to check")]
    if plate is not None:
        never.append((plate, "the clean plate"))
    return drawn_target(out or path.with_name(path.stem + ENDING), "picture", ENDING, never)


def _text(report: Report, findings: list[Finding]) -> str:
    """The findings as lines for a terminal."""
    out = [headline(report, findings), ""]
    for finding in findings:
        out.append(f"{finding.topic}: {finding.grade.value}")
        for text in (finding.fact, finding.advice and f"-> {finding.advice}"):
            if text:
                out += textwrap.wrap(text, 92, initial_indent="  ", subsequent_indent="  ")
    out.append("")
    for text in remarks(report, findings):
        out += textwrap.wrap(text, 94)
    return "\n".join(out)


def _as_json(path: Path, target: Path, report: Report, findings: list[Finding]) -> str:
    """The same for another program."""
    points = [{**asdict(f), "grade": f.grade.value} for f in findings]
    return json.dumps(
        {
            "file": str(path),
            "picture": str(target),
            "screen": report.hue.name.lower(),
            "screen_share": report.screen_share,
            "subject_share": report.subject_share,
            "plate_fits": report.plate_fits,
            "findings": points,
        },
        indent=2,
    )


def run(args: argparse.Namespace) -> int:
    """Check one file; what could be better is no failure."""
    turns = None if args.turn is None else args.turn // 90
    for path in filter(None, (args.file, args.plate)):
        _require(path)
    target = _target(args.file, args.plate, args.out)
    plate = None
    if args.plate:
        plate = _upright(read_still(args.plate, quarter_turns=turns))
    frame, report = _measured(args.file, args.screen, turns, plate)
    findings = judge(report)
    save_drawn(draw(args.file.name, frame, report, findings), target, "picture")
    if args.json:
        print(_as_json(args.file, target, report, findings))
    else:
        print(f"{args.file.name}: {_text(report, findings)}\nPicture: {target}")
    return 0
