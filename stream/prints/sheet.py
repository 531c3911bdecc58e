"""Sheets: several finished pictures on one paper, at their exact sizes, with cut marks."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

import numpy as np
import pikepdf
import torch
from numpy.typing import NDArray
from PIL import Image, ImageDraw

from stream.errors import UserError
from stream.prints import jpeg_file
from stream.prints.about import About
from stream.prints.finished import Finished, look, pixels, srgb_pixels
from stream.prints.output import Output
from stream.prints.packing import Spot, layout
from stream.prints.pdf_file import MM, POINTS_IN, Book, Line, Rect, crop_marks
from stream.prints.picture import picture_bytes

MM_IN = 25.4
# Long enough to lay a ruler to, and short enough for a gap (*common practice*).
MARK_MM = 3.0
_OFF_MM = 0.5


@dataclass(frozen=True)
class Piece:
    """One picture of a sheet.

    Attributes:
        path: its file.
        copies: how often it is wanted.
        bleed_in: inches a side of it that are cut away.
    """

    path: Path
    copies: int = 1
    bleed_in: float = 0.0


@dataclass(frozen=True)
class Plan:
    """What goes where. Lengths in points.

    Attributes:
        paper: (width, height) of a sheet.
        pictures: those that are used.
        bleeds: how much a side of each is cut away.
        sheets: the places; `Spot.item` counts in ``pictures``, y runs down.
    """

    paper: tuple[float, float]
    pictures: tuple[Finished, ...]
    bleeds: tuple[float, ...]
    sheets: tuple[tuple[Spot, ...], ...]


def plan(
    pieces: Sequence[Piece],
    paper_in: tuple[float, float],
    *,
    gap_mm: float,
    margin_mm: float,
    done: Callable[[int], None] = lambda n: None,
) -> tuple[Plan, list[str]]:
    """Look at the pictures and spread them over sheets.

    Args:
        pieces: what is wanted.
        paper_in: (width, height) of a sheet, inches.
        gap_mm: between pictures.
        margin_mm: free along the edges, where the printer does not print.
        done: is told how many were looked at.

    Returns:
        The plan, and a sentence for each picture that has no place in it.

    Raises:
        UserError: none of the pictures can be used.
    """
    paper = paper_in[0] * POINTS_IN, paper_in[1] * POINTS_IN
    room = sorted(side - 2 * margin_mm * MM for side in paper)
    good: list[tuple[Finished, Piece]] = []
    told: list[str] = []
    for n, piece in enumerate(pieces, 1):
        try:
            picture = look(piece.path)
        except UserError as e:
            told.append(str(e))
            continue
        finally:
            done(n)
        need = sorted(side * POINTS_IN for side in picture.inches)
        if need[0] > room[0] + 1e-3 or need[1] > room[1] + 1e-3:
            told.append(
                f"{piece.path.name} is {_size(picture.inches)} and the paper has room for "
                f"{_size((room[0] / POINTS_IN, room[1] / POINTS_IN))}; choose a larger paper or a "
                "smaller margin"
            )
        else:
            good.append((picture, piece))
    if not good:
        raise UserError("; ".join(told) or "no pictures were given; name some")
    sizes = [(p.inches[0] * POINTS_IN, p.inches[1] * POINTS_IN) for p, _ in good]
    sheets = layout(paper, sizes, [g.copies for _, g in good], gap_mm * MM, margin_mm * MM)
    made = Plan(
        paper,
        tuple(p for p, _ in good),
        tuple(g.bleed_in * POINTS_IN for _, g in good),
        tuple(tuple(s) for s in sheets),
    )
    return made, told


def _size(inches: tuple[float, float]) -> str:
    w, h = inches
    return f"{w:.4g} x {h:.4g} in ({w * MM_IN:.0f} x {h * MM_IN:.0f} mm)"


def _marks(plan: Plan, sheet: Sequence[Spot]) -> list[Line]:
    """Short lines at the corners of what is left of each picture, in PDF's own direction."""
    lines: list[Line] = []
    for spot in sheet:
        inner = _rect(plan, spot).grown(-plan.bleeds[spot.item])
        away = plan.bleeds[spot.item] + _OFF_MM * MM
        lines += crop_marks(inner, away, MARK_MM * MM)
    return lines


def _rect(plan: Plan, spot: Spot) -> Rect:
    return Rect(spot.x, plan.paper[1] - spot.y - spot.h, spot.w, spot.h)


def pdf(
    plan: Plan, *, marks: bool, made: datetime, done: Callable[[int], None] = lambda n: None
) -> bytes:
    """All sheets as one PDF; the pixels of JPEG pictures go in as they are, nothing else of them.

    Args:
        plan: from `plan`.
        marks: cut marks; a picture that is in their way lies over them.
        made: what the file is dated with.
        done: is told how many pictures went in.

    Raises:
        UserError: a picture is damaged.
    """
    book = Book()
    images: list[pikepdf.Object] = []
    for n, picture in enumerate(plan.pictures, 1):
        # Inks in other programs' JPEG files may stand either way round.
        if picture.form == "JPEG" and picture.mode == "RGB" and picture.upright:
            data = jpeg_file.without_facts(picture.path.read_bytes())
            images.append(book.jpeg(data, picture.size, 3, picture.profile))
        else:
            images.append(book.image(pixels(picture), picture.profile))
        done(n)
    for sheet in plan.sheets:
        placed = [(images[s.item], _rect(plan, s), s.turned) for s in sheet]
        book.page(plan.paper, placed, _marks(plan, sheet) if marks else ())
    return book.finish(made=made)


def drawn(plan: Plan, sheet: Sequence[Spot], ppi: float, *, marks: bool) -> NDArray[np.uint8]:
    """One sheet as pixels, (H, W, 3) uint8, sRGB.

    Raises:
        UserError: a picture is damaged.
    """
    scale = ppi / POINTS_IN
    width, height = round(plan.paper[0] * scale), round(plan.paper[1] * scale)
    page = Image.new("RGB", (width, height), "white")
    pen = ImageDraw.Draw(page)
    for x0, y0, x1, y1 in _marks(plan, sheet) if marks else ():
        ends = [(x0 * scale, height - y0 * scale), (x1 * scale, height - y1 * scale)]
        pen.line(ends, fill="black", width=max(1, round(ppi / 300)))
    opened: dict[int, Image.Image] = {}
    for spot in sheet:
        if spot.item not in opened:
            opened[spot.item] = Image.fromarray(srgb_pixels(plan.pictures[spot.item]))
        image = opened[spot.item]
        if spot.turned:
            image = image.transpose(Image.Transpose.ROTATE_90)
        size = round(spot.w * scale), round(spot.h * scale)
        if image.size != size:
            image = image.resize(size, Image.Resampling.LANCZOS)
        page.paste(image, (round(spot.x * scale), round(spot.y * scale)))
    return np.asarray(page)


def page_bytes(page: NDArray[np.uint8], ppi: float, output: Output, made: datetime) -> bytes:
    """A drawn sheet as a file.

    Args:
        page: (H, W, 3) uint8, sRGB.
        ppi: pixels an inch.
        output: the form.
        made: what the file is dated with.
    """
    about = About(ppi, made, "")
    return picture_bytes(torch.from_numpy(page.copy()), output, about)
