"""The check as a picture: the frame, the map of the screen's light, and what to change.

The map runs from dark blue to light yellow through grey: lighter is brighter, and blue against
yellow is the pair that people with a red-green deficiency tell apart (Vienot, Brettel, Mollon,
"Digital Video Colourmaps for Checking the Legibility of Displays by Dichromats", 1999; from
memory). The value at each worst place stands beside it, so that no colour has to be read.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from PIL import Image, ImageDraw

from models.color import to_codes
from models.evenness import Place, bands
from models.screencheck import Report
from models.transfer import Transfer, encode
from models.upright import Upright
from stream.check.limits import Grade
from stream.check.words import Finding, headline, remarks
from stream.drawn_words import drawn_font, wrapped

STEP = 0.25
MOST = 5
# From 1.25 stops darker to 1.25 stops brighter; lightness rises in even steps.
BANDS = (
    (0, 25, 80), (12, 48, 108), (38, 72, 122), (70, 96, 130), (104, 119, 137),
    (142, 143, 143),
    (168, 162, 130), (192, 180, 112), (214, 199, 92), (235, 218, 72), (255, 238, 60),
)  # fmt: skip
PAPER, PANEL, INK, SOFT = (33, 33, 35), (46, 46, 49), (238, 238, 236), (172, 172, 170)
# Each grade has a shape of its own beside its colour.
COLORS = {Grade.GOOD: (128, 196, 226), Grade.BETTER: (240, 200, 90), Grade.CHANGE: (255, 128, 76)}
SHAPES = {Grade.GOOD: "✓", Grade.BETTER: "▲", Grade.CHANGE: "■"}

PANEL_SIDE = {"tall": 1080, "wide": 960}
MARGIN = 36
TEXT_WIDTH = 760


@dataclass(frozen=True)
class Line:
    """One line of the text column: what is written, how, and the room below it."""

    text: str
    size: int
    color: tuple[int, int, int]
    bold: bool = False
    indent: int = 0
    below: int = 6
    before: tuple[str, tuple[int, int, int]] | None = None


def _numbered(findings: list[Finding]) -> list[tuple[int | None, Finding]]:
    """Findings with a place to look at get a number, from 1."""
    out: list[tuple[int | None, Finding]] = []
    count = 0
    for finding in findings:
        marked = finding.at is not None and finding.grade is not Grade.GOOD
        count += marked
        out.append((count if marked else None, finding))
    return out


def _column(name: str, report: Report, findings: list[Finding], width: int) -> list[Line]:
    """All text, wrapped."""
    lines: list[Line] = []

    def add(text: str, size: int, color: tuple[int, int, int], **how: object) -> None:
        bold, indent = bool(how.get("bold")), int(str(how.get("indent", 0)))
        parts = wrapped(text, drawn_font(size, bold), width - indent)
        for i, part in enumerate(parts):
            last = int(str(how.get("below", 8))) if i == len(parts) - 1 else 5
            first = how.get("before") if i == 0 else None
            lines.append(Line(part, size, color, bold, indent, last, first))  # type: ignore[arg-type]

    add(name, 19, SOFT, below=10)
    add(headline(report, findings), 28, INK, bold=True, below=26)
    for number, finding in _numbered(findings):
        color = COLORS[finding.grade]
        title = f"{finding.topic}: {finding.grade.value}"
        if number is not None:
            title += f"  ({number})"
        add(title, 22, color, bold=True, indent=34, below=6, before=(SHAPES[finding.grade], color))
        add(finding.fact, 19, INK, indent=34, below=6 if finding.advice else 18)
        if finding.advice:
            add(f"→ {finding.advice}", 19, INK, indent=34, below=18)
    for text in remarks(report, findings):
        add(text, 16, SOFT, below=8)
    return lines


def _height(lines: list[Line]) -> int:
    return sum(round(line.size * 1.2) + line.below for line in lines)


def _write(pen: ImageDraw.ImageDraw, lines: list[Line], x: int, y: int) -> None:
    for line in lines:
        if line.before:
            pen.text((x, y), line.before[0], line.before[1], drawn_font(line.size, True))
        pen.text((x + line.indent, y), line.text, line.color, drawn_font(line.size, line.bold))
        y += round(line.size * 1.2) + line.below


def _mark(pen: ImageDraw.ImageDraw, at: tuple[float, float], text: str, size: int) -> None:
    """A number in a disc that is seen over anything: white in a dark ring."""
    x, y = at
    r = size * 0.72
    pen.ellipse((x - r - 3, y - r - 3, x + r + 3, y + r + 3), (20, 20, 22))
    pen.ellipse((x - r, y - r, x + r, y + r), (250, 250, 248))
    pen.text((x, y), text, (20, 20, 22), drawn_font(size, True), anchor="mm")


def _flag(pen: ImageDraw.ImageDraw, at: tuple[float, float], text: str, box: Image.Image) -> None:
    """A value with a point where it holds, kept inside the panel."""
    font = drawn_font(22, True)
    x, y = at
    pen.ellipse((x - 6, y - 6, x + 6, y + 6), (250, 250, 248), (20, 20, 22), 2)
    half = font.getlength(text) / 2 + 9
    across = min(max(x, half + 3), box.width - half - 3)
    above = y - 28 if y > 60 else y + 28
    pen.rounded_rectangle((across - half, above - 16, across + half, above + 16), 8, (20, 20, 22))
    pen.text((across, above), text, (250, 250, 248), font, anchor="mm")


def _at(place: Place, image: Image.Image) -> tuple[float, float]:
    """A place in a panel, its mark wholly inside."""
    x, y = place.x * image.width, place.y * image.height
    return min(max(x, 24), image.width - 24), min(max(y, 24), image.height - 24)


def signed(stops: float) -> str:
    """A number of stops with its sign, a real minus."""
    return f"{stops:+.1f}".replace("-", "\u2212")


def _photo(frame: Upright, side: int) -> Image.Image:
    """The upright frame, its longer side ``side`` pixels."""
    height, width = frame.size
    small = frame.reduced(max(1, max(height, width) // side))
    codes = to_codes(encode(small, Transfer.SRGB), 8).cpu().numpy()
    scale = side / max(height, width)
    size = max(1, round(width * scale)), max(1, round(height * scale))
    return Image.fromarray(codes).resize(size, Image.Resampling.LANCZOS)


def light_map(report: Report, photo: Image.Image) -> Image.Image:
    """The screen's level in bands of a quarter of a stop over the darkened, colourless frame."""
    size = photo.height, photo.width
    number = bands(report.stops, report.seen, size, STEP, MOST).cpu().numpy()
    coloured = Image.fromarray(number.astype(np.uint8), "L").convert("P")
    coloured.putpalette([c for color in ((0, 0, 0), *BANDS) for c in color])
    shown = Image.fromarray(number.astype(np.uint8), "L").point([0] + [255] * 255)
    ground = Image.blend(Image.new("L", photo.size, 40), photo.convert("L"), 0.35).convert("RGB")
    ground.paste(coloured.convert("RGB"), (0, 0), shown)
    return ground


def _legend(width: int) -> Image.Image:
    """The bands from dark to bright with their values."""
    image = Image.new("RGB", (width, 74), PAPER)
    pen = ImageDraw.Draw(image)
    font = drawn_font(16)
    cell = width / len(BANDS)
    for i, color in enumerate(BANDS):
        pen.rectangle((i * cell, 0, (i + 1) * cell - 2, 24), color)
        value = (i - MOST) * STEP
        if i % 2 == 1 or width > 600:
            text = f"{value:+g}".replace("-", "\u2212") if value else "0"
            pen.text(((i + 0.5) * cell, 40), text, INK, font, anchor="mm")
    pen.text((0, 64), "darker", SOFT, font, anchor="lm")
    pen.text((width / 2, 64), "stops from the screen's middle", SOFT, font, anchor="mm")
    pen.text((width, 64), "brighter", SOFT, font, anchor="rm")
    return image


def draw(name: str, frame: Upright, report: Report, findings: list[Finding]) -> Image.Image:
    """The whole sheet: frame and map side by side, the text beside or below them.

    Args:
        name: what was checked.
        frame: the frame that was measured.
        report: its measures.
        findings: what was made of them.

    Returns:
        An RGB picture.
    """
    tall = frame.size[0] >= frame.size[1]
    photo = _photo(frame, PANEL_SIDE["tall" if tall else "wide"])
    even = light_map(report, photo)
    pen = ImageDraw.Draw(even)
    for place in (*report.darkest, *report.brightest):
        _flag(pen, _at(place, even), signed(place.value), even)
    if report.shadow.at is not None:
        text = f"shadow {signed(-report.shadow.depth)}"
        _flag(pen, _at(report.shadow.at, even), text, even)
    pen = ImageDraw.Draw(photo)
    placed: list[tuple[float, float]] = []
    for number, finding in _numbered(findings):
        if number is None or finding.at is None:
            continue
        x, y = _at(finding.at, photo)
        # Two marks on one place stand side by side.
        while any(abs(x - px) < 44 and abs(y - py) < 44 for px, py in placed):
            x = x + 46 if x + 70 < photo.width else x - 46 * len(placed) - 46
        placed.append((x, y))
        _mark(pen, (x, y), str(number), 24)
    pictures = 2 * photo.width + MARGIN
    width = TEXT_WIDTH if tall else (pictures - MARGIN) // 2
    lines = _column(name, report, findings, width)
    legend = _legend(even.width)
    heading = 34
    block = heading + photo.height + 16 + legend.height
    if tall:
        size = (3 * MARGIN + pictures + width, 2 * MARGIN + max(block, _height(lines)))
    else:
        first, rest = _split(lines)
        size = (
            2 * MARGIN + pictures,
            3 * MARGIN + block + max(_height(first), _height(rest)),
        )
    sheet = Image.new("RGB", size, PAPER)
    pen = ImageDraw.Draw(sheet)
    right = 2 * MARGIN + photo.width
    pen.text((MARGIN, MARGIN), "Picture", SOFT, drawn_font(19))
    pen.text((right, MARGIN), "Light on the screen", SOFT, drawn_font(19))
    sheet.paste(photo, (MARGIN, MARGIN + heading))
    sheet.paste(even, (right, MARGIN + heading))
    sheet.paste(legend, (right, MARGIN + heading + photo.height + 16))
    if tall:
        _write(pen, lines, right + photo.width + MARGIN, MARGIN)
    else:
        top = 2 * MARGIN + block
        _write(pen, first, MARGIN, top)
        _write(pen, rest, right, top)
    return sheet


def _split(lines: list[Line]) -> tuple[list[Line], list[Line]]:
    """Text in two columns of about one height, cut where a finding begins."""
    half = _height(lines) / 2
    cuts = [i for i, line in enumerate(lines) if line.before] or [len(lines)]
    cut = min(cuts, key=lambda i: abs(_height(lines[:i]) - half))
    return lines[:cut], lines[cut:]
