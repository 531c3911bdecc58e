"""Contact sheets: small pictures in rows, the shot's number and a name below each."""

from __future__ import annotations

import functools
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageOps

from stream.color_profile import srgb_profile
from stream.errors import UserError
from stream.prints.finished import look, srgb_pixels
from stream.template.inking import draw
from stream.template.text import Setting, fill_in, set_words
from stream.template.typeface import Typeface, chained, font, missing_letters
from stream.template.wording import DEFAULT_FONT, Text

# Lengths of the page in millimetres; letters small, yet legible at arm's length (common practice).
_MARGIN, _GAP, _HEAD = 10.0, 4.0, 9.0
_NUMBER_MM, _NAME_MM, _LEAST_MM, _TITLE_MM = 3.4, 3.0, 2.0, 4.0
_INK, _GREY, _FRAME = (20, 20, 20), (110, 110, 110), (225, 225, 225)
_LINES = 3
_NO_FONT = "no font has all its letters; put a font that has them into a template of the event"
_FONTS = Path(__file__).parent.parent / "template" / "fonts"
# A cell is as high as a print of 4 x 5 is to its width: most prints lie between 2:3 and 4:5.
_SHAPE = 1.25


@dataclass(frozen=True)
class Entry:
    """One picture of a contact sheet.

    Attributes:
        path: its file.
        number: of its shot, as it is written below.
        name: of those in it, or empty where they are not to be named.
    """

    path: Path
    number: str
    name: str = ""


@functools.cache
def bundled(file: str = "DejaVuSans.ttf") -> Typeface:
    """A font that comes with the program."""
    return Typeface(file, (_FONTS / file).read_bytes())


@dataclass(frozen=True)
class Grid:
    """How a page is divided. Lengths in pixels.

    Attributes:
        size: (H, W) of the page.
        mm: pixels a millimetre.
        columns, rows: how many cells.
        cell: (height, width) of a picture's own room.
        step: (down, across) from one cell to the next.
    """

    size: tuple[int, int]
    mm: float
    columns: int
    rows: int
    cell: tuple[int, int]
    step: tuple[int, int]

    @classmethod
    def of(cls, paper_in: tuple[float, float], ppi: float, columns: int) -> Grid:
        """Divide a paper.

        Args:
            paper_in: (width, height), inches.
            ppi: pixels an inch.
            columns: pictures side by side.

        Raises:
            UserError: the cells would be too small to tell anybody.
        """
        mm = ppi / 25.4
        width, height = round(paper_in[0] * ppi), round(paper_in[1] * ppi)
        across = (width - 2 * _MARGIN * mm + _GAP * mm) / columns
        cell_w = int(across - _GAP * mm)
        cell_h = int(cell_w * _SHAPE)
        down = cell_h + (_NUMBER_MM + 2 * _LEAST_MM + 3.0 + _GAP) * mm
        rows = int((height - (2 * _MARGIN + _HEAD - _GAP) * mm) // down)
        if cell_w < 12 * mm or rows < 1:
            raise UserError(
                f"{columns} pictures side by side are too many or too few for this paper; choose "
                "another number of columns or another paper"
            )
        return cls((height, width), mm, columns, rows, (cell_h, cell_w), (int(down), int(across)))

    @property
    def cells(self) -> int:
        """Pictures a page."""
        return self.columns * self.rows


def _small(path: Path, cell: tuple[int, int]) -> Image.Image:
    """A picture that fits a cell."""
    found = look(path)
    room = cell[1], cell[0]
    if found.form == "JPEG" and found.profile == srgb_profile() and found.mode == "RGB":
        try:
            with Image.open(path) as image:
                # Decoded small at once: an eighth of the time.
                image.draft("RGB", room)
                upright = ImageOps.exif_transpose(image)
                return ImageOps.contain(upright, room, Image.Resampling.LANCZOS)
        except (OSError, SyntaxError, ValueError) as e:
            raise UserError(f"{path.name} is damaged ({e}); render its shot again") from e
    whole = Image.fromarray(srgb_pixels(found))
    return ImageOps.contain(whole, room, Image.Resampling.LANCZOS)


def _written(
    page: Image.Image, words: str, face: Typeface, text: Text, color: tuple[int, ...]
) -> Setting | None:
    """Write words into a box of the page; None where a letter of them is in no font."""
    words = fill_in(text, {"words": words})
    if missing_letters(face.chain, words):
        return None
    setting = set_words(text, words, face)
    if setting is None:
        return None
    for ink in draw(text, setting, (1.0, 1.0)):
        page.paste(color, (ink.x, ink.y), Image.fromarray(ink.mask.numpy()))
    return setting


def _text(box: tuple[float, float, float, float], size: float, least: float, **looks: Any) -> Text:
    """Words in a box of the page, all in pixels."""
    return Text("{words}", "", box, DEFAULT_FONT, max(size, 1.0), max(least, 1.0), **looks)


def pages(
    entries: Sequence[Entry],
    grid: Grid,
    title: str,
    notes: list[str],
    faces: Sequence[Typeface] = (),
) -> Iterator[NDArray[np.uint8]]:
    """Draw the sheets, one after the other.

    Args:
        entries: what is shown, in this order.
        grid: how a page is divided.
        title: stands at the head of every page.
        notes: gets a sentence for each picture or name that could not be shown.
        faces: fonts to look in for letters that the bundled one lacks.

    Yields:
        (H, W, 3) uint8, sRGB.
    """
    face = chained((bundled(), *faces))
    count = -(-len(entries) // grid.cells)
    for n in range(count):
        page = Image.new("RGB", (grid.size[1], grid.size[0]), "white")
        pen = ImageDraw.Draw(page)
        edge = round(_MARGIN * grid.mm)
        place = f"{n + 1} / {count}"
        head = font(bundled(), round(_TITLE_MM * grid.mm))
        room = grid.size[1] - 2 * edge - head.getlength(place) - _GAP * grid.mm
        box = (edge, edge - grid.mm, max(room, 1.0), (_HEAD - 2) * grid.mm)
        size = _TITLE_MM * grid.mm
        looks = _text(box, size, size / 2, align="left", valign="top", lines=2)
        setting = _written(page, title, face, looks, _INK)
        if setting is None and title and n == 0:
            notes.append(f"the title is left out, since {_NO_FONT}")
        base = setting.starts[0][1] if setting is not None else edge + size
        pen.text((grid.size[1] - edge, base), place, fill=_GREY, font=head, anchor="rs")
        for m, entry in enumerate(entries[n * grid.cells : (n + 1) * grid.cells]):
            x = edge + m % grid.columns * grid.step[1]
            y = edge + round(_HEAD * grid.mm) + m // grid.columns * grid.step[0]
            _draw(page, pen, entry, (x, y), grid, face, notes)
        yield np.asarray(page)


def _draw(
    page: Image.Image,
    pen: ImageDraw.ImageDraw,
    entry: Entry,
    at: tuple[int, int],
    grid: Grid,
    face: Typeface,
    notes: list[str],
) -> None:
    """One cell."""
    (x, y), (cell_h, cell_w), mm = at, grid.cell, grid.mm
    try:
        small = _small(entry.path, grid.cell)
    except UserError as e:
        notes.append(f"shot {entry.number} is not shown: {e}")
        pen.rectangle((x, y, x + cell_w - 1, y + cell_h - 1), outline=_FRAME, width=2)
    else:
        # On one line at the foot, so that numbers stand close below.
        page.paste(small, (x + (cell_w - small.width) // 2, y + cell_h - small.height))
    line = y + cell_h + round(1.2 * mm)
    bold = font(bundled("DejaVuSans-Bold.ttf"), round(_NUMBER_MM * mm))
    pen.text((x + cell_w / 2, line), entry.number, fill=_INK, font=bold, anchor="mt")
    if not entry.name:
        return
    top = line + (_NUMBER_MM + 0.6) * mm
    box = (x, top, cell_w, y + grid.step[0] - _GAP * mm - top)
    text = _text(box, _NAME_MM * mm, _LEAST_MM * mm, valign="top", lines=_LINES)
    setting = _written(page, entry.name, face, text, _INK)
    if setting is None:
        notes.append(f"the name below shot {entry.number} is left out, since {_NO_FONT}")
    elif setting.tight:
        notes.append(
            f"the name below shot {entry.number} is long and so written very small; choose fewer "
            "--columns"
        )
