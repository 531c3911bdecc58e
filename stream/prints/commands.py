"""The commands `sheet` and `contact-sheet`."""

from __future__ import annotations

import argparse
import math
import re
import sys
from collections.abc import Callable
from dataclasses import replace
from datetime import datetime
from pathlib import Path

from stream.color_profile import srgb_profile
from stream.durable import replace_file, storing
from stream.errors import UserError
from stream.event import Event
from stream.options import event_option
from stream.prints import contact, gallery, jpeg_file, sheet
from stream.prints.output import CHROMA, QUALITY, Output
from stream.prints.pdf_file import POINTS_IN, Book, Rect
from stream.prints.sheet import MM_IN, Piece
from stream.template.paper import PAPERS

FORMS = {".pdf": "pdf", ".jpg": "jpeg", ".jpeg": "jpeg", ".tif": "tiff", ".tiff": "tiff"}
_OWN_SIZE = re.compile(r"(\d+(?:\.\d+)?)x(\d+(?:\.\d+)?)(in|mm)")
# chosen: from a ticket to a poster.
_LEAST_IN, _MOST_IN = 1.0, 60.0


def add_commands(sub: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Offer sheet and contact-sheet."""
    one = sub.add_parser(
        "sheet",
        help="put several finished pictures on one paper, with cut marks",
        description="Puts finished pictures side by side on sheets of paper, each at its "
        "exact size, turned where that saves paper, so that straight cuts part them.",
    )
    one.add_argument("files", nargs="*", type=Path, metavar="FILE", help="finished pictures")
    one.add_argument("--event", type=Path, metavar="DIR", help="what was ordered at this event")
    one.add_argument("--copies", type=_count, default=1, help="how often each order is put on (1)")
    one.add_argument(
        "--bleed",
        type=_mm,
        default=0.0,
        help="bleed on the sides of FILEs, in mm (0); an event's pictures have their template's",
    )
    one.add_argument("--gap", type=_mm, default=4.0, help="free between two pictures, in mm (4)")
    one.add_argument(
        "--margin", type=_mm, default=5.0, help="edge that the printer leaves free, in mm (5)"
    )
    one.add_argument("--no-marks", action="store_true", help="leave the cut marks out")
    _paper_options(one, "sheet.pdf")
    one.set_defaults(run=run_sheet)

    many = sub.add_parser(
        "contact-sheet",
        help="all pictures of an event, small, with numbers and names",
        description="Shows every picture of an event small, with the shot's number and, where "
        "the event allows names, a name below.",
    )
    event_option(many)
    many.add_argument("--columns", type=_count, default=4, help="pictures side by side (4)")
    named = many.add_mutually_exclusive_group()
    named.add_argument("--names", action="store_true", default=None, help="write names below")
    named.add_argument(
        "--no-names", dest="names", action="store_false", help="numbers alone (usual: as the event)"
    )
    _paper_options(many, "contact-sheet.pdf")
    many.set_defaults(run=run_contact)


def _paper_options(parser: argparse.ArgumentParser, usual: str) -> None:
    parser.add_argument(
        "--paper",
        type=_paper,
        default=_paper("a4"),
        metavar="SIZE",
        help=f"one of {', '.join(PAPERS)}, or a size such as 320x450mm or 12x18in (a4)",
    )
    parser.add_argument(
        "--out",
        type=Path,
        metavar="FILE",
        help=f"a .pdf, or .jpg or .tif for a file a page (usual: {usual}, an event's in its folder "
        "sheets)",
    )
    parser.add_argument(
        "--ppi", type=_ppi, default=300.0, help="pixels an inch of drawn pages (300)"
    )
    parser.add_argument(
        "--quality", type=_quality, default=QUALITY, help=f"of JPEG, 1 to 100 ({QUALITY})"
    )
    parser.add_argument("--chroma", choices=CHROMA, default=CHROMA[0], help="of JPEG (4:4:4)")


def _between(text: str, low: float, high: float, what: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not low <= value <= high:
        raise argparse.ArgumentTypeError(f"'{text}' is no {what} from {low:g} to {high:g}")
    return value


def _mm(text: str) -> float:
    return _between(text, 0, 200, "length in mm")


def _ppi(text: str) -> float:
    return _between(text, 36, 1200, "resolution")


def _quality(text: str) -> int:
    return round(_between(text, 1, 100, "quality"))


def _count(text: str) -> int:
    value = _between(text, 1, 1000, "whole number")
    if value != int(value):
        raise argparse.ArgumentTypeError(f"'{text}' is no whole number")
    return int(value)


def _paper(text: str) -> tuple[float, float]:
    """(width, height) in inches."""
    known = PAPERS.get(text.lower())
    if known is not None:
        return known.width_in, known.height_in
    own = _OWN_SIZE.fullmatch(text.lower())
    if own is not None:
        unit = MM_IN if own[3] == "mm" else 1.0
        size = float(own[1]) / unit, float(own[2]) / unit
        if all(_LEAST_IN <= side <= _MOST_IN for side in size):
            return size
    raise argparse.ArgumentTypeError(
        f"'{text}' is no paper; give one of {', '.join(PAPERS)}, or a size such as 320x450mm"
    )


def _progress(what: str, of: int) -> Callable[[int], None]:
    """A line that counts up on a terminal, and says nothing elsewhere."""
    live = sys.stderr.isatty()

    def say(n: int) -> None:
        if live:
            end = "\n" if n == of else ""
            print(f"\r{what} {n} of {of}", end=end, file=sys.stderr, flush=True)

    return say


def _form(out: Path) -> str:
    form = FORMS.get(out.suffix.lower())
    if form is None:
        raise UserError(f"{out.name}: a sheet is a .pdf, .jpg or .tif; end the name with one")
    return form


def _targets(out: Path, pages: int) -> list[Path]:
    """The files to write: none of them is there yet."""
    if pages == 1 or _form(out) == "pdf":
        paths = [out]
    else:
        width = len(str(pages))
        paths = [
            out.with_name(f"{out.stem}-{n:0{width}d}{out.suffix}") for n in range(1, pages + 1)
        ]
    there = [p for p in paths if p.exists()]
    if there:
        raise UserError(
            f"{there[0]} is there already; move it away or give another name with --out"
        )
    return paths


def _out(given: Path | None, usual: str, event: Event | None) -> Path:
    """Where a sheet goes: where it was told, else under a new name where it belongs."""
    if given is not None:
        return given
    # In the event's own folder what is forgotten of people goes from sheets, too.
    folder = event.paths.sheets if event is not None else Path()
    first, n = folder / usual, 1
    path = first
    while path.exists():
        n += 1
        path = first.with_stem(f"{first.stem}-{n}")
    return path


def _write(path: Path, data: bytes) -> None:
    with storing(f"the sheet {path.name}", path.parent):
        path.parent.mkdir(parents=True, exist_ok=True)
        replace_file(path, data)


def _tell(notes: list[str]) -> None:
    for note in notes:
        print(f"posewall: {note}", file=sys.stderr)


def _plural(n: int, one: str) -> str:
    return f"{n} {one}" if n == 1 else f"{n} {one}s"


def run_sheet(args: argparse.Namespace) -> int:
    """Make sheets of pictures; 1 where one of them has no place."""
    notes: list[str] = []
    wanted = [Piece(path, bleed_in=args.bleed / MM_IN) for path in args.files]
    event = None if args.event is None else Event.open(args.event)
    if event is not None:
        wanted += gallery.pieces(event, notes)
    if not wanted:
        _tell(notes)
        raise UserError("no pictures were given; name their files, or an event with --event")
    out = _out(args.out, "sheet.pdf", event)
    form = _form(out)
    _targets(out, 1)
    wanted = [replace(p, copies=p.copies * args.copies) for p in wanted]
    looked = _progress("looking at picture", len(wanted))
    plan, told = sheet.plan(wanted, args.paper, gap_mm=args.gap, margin_mm=args.margin, done=looked)
    notes += told
    made, marks = datetime.now().astimezone(), not args.no_marks
    paths = _targets(out, len(plan.sheets))
    output = Output(form, args.quality, args.chroma)
    if form == "pdf":
        placed = _progress("placing picture", len(plan.pictures))
        _write(paths[0], sheet.pdf(plan, marks=marks, made=made, done=placed))
        said = "PDF, JPEG pictures as they are, others lossless"
    else:
        drawn = _progress("drawing sheet", len(paths))
        for n, (path, spots) in enumerate(zip(paths, plan.sheets, strict=True), 1):
            page = sheet.drawn(plan, spots, args.ppi, marks=marks)
            _write(path, sheet.page_bytes(page, args.ppi, output, made))
            drawn(n)
        said = f"{output.said_form()}, sRGB, {args.ppi:g} pixels an inch"
    _tell(notes)
    prints = sum(len(s) for s in plan.sheets)
    where = str(paths[0]) if len(paths) == 1 else f"{paths[0]} to {paths[-1].name}"
    print(
        f"{where}: {_plural(prints, 'print')} on {_plural(len(plan.sheets), 'sheet')} of paper; "
        f"{said}."
    )
    return 1 if notes else 0


def run_contact(args: argparse.Namespace) -> int:
    """Make the contact sheet of an event; 1 where a picture or a name is left out."""
    event = Event.open(args.event)
    out = _out(args.out, "contact-sheet.pdf", event)
    form = _form(out)
    names = args.names
    if names is None:
        names = Output.from_table(event.config.pictures, event.paths.root).names
    notes: list[str] = []
    entries = gallery.entries(event, notes, names=names)
    if not entries:
        _tell(notes)
        raise UserError(f"{event.name} has no pictures to show yet; make some with 'batch run'")
    grid = contact.Grid.of(args.paper, args.ppi, args.columns)
    count = -(-len(entries) // grid.cells)
    paths = _targets(out, count)
    # First, where no right-to-left name turns its parts around.
    title = f"{event.config.day.isoformat()} · {event.name}" if event.config.day else event.name
    output, made = Output(form, args.quality, args.chroma), datetime.now().astimezone()
    drawn = _progress("drawing page", count)
    book = Book()
    size = args.paper[0] * POINTS_IN, args.paper[1] * POINTS_IN
    for n, page in enumerate(contact.pages(entries, grid, title, notes, gallery.fonts(event)), 1):
        if form == "pdf":
            jpeg = jpeg_file.picture(page, quality=args.quality, chroma=args.chroma)
            image = book.jpeg(jpeg, grid.size, 3, srgb_profile())
            book.page(size, [(image, Rect(0, 0, *size), False)])
        else:
            _write(paths[n - 1], sheet.page_bytes(page, args.ppi, output, made))
        drawn(n)
    if form == "pdf":
        _write(paths[0], book.finish(made=made))
        output = replace(output, pdf="jpeg")
    _tell(notes)
    where = str(paths[0]) if len(paths) == 1 else f"{paths[0]} to {paths[-1].name}"
    print(
        f"{where}: {_plural(len(entries), 'picture')} on {_plural(count, 'page')}, "
        f"{'with' if names else 'without'} names; {output.said_form()}, sRGB."
    )
    return 1 if notes else 0
