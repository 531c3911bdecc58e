"""A contact sheet of a template's film: both shapes at its key times, with a stand-in figure."""

from __future__ import annotations

from collections.abc import Mapping
from contextlib import closing
from dataclasses import replace

from PIL import Image, ImageDraw

from stream.drawn_words import drawn_font
from stream.film.design import Design, design
from stream.film.poses import Parts
from stream.shape import SHAPES
from stream.template.preview import INK, PAPER
from stream.template.stand_in import with_figures
from stream.template.template import Template

TAKE_S = 8.0
"""Length of the take that the sheet stands for."""
_WIDE = 1680
_CAPTION = 30
_GAP = 10


def key_times(parts: Parts) -> list[float]:
    """Seconds of a film that tell it: its cards, where they fade, and the take between."""
    begin, end = parts.opening_s, parts.end_s
    out = [0.0, begin * 0.6] if begin > 0 else [0.0]
    out += [begin + parts.fade_in_s / 2, begin + parts.take_s / 6, begin + parts.take_s / 2]
    out += [end - parts.fade_out_s / 2]
    if parts.closing_s > 0:
        out += [end + parts.closing_s * 0.4, parts.length_s - 0.04]
    return out


def _picture(made: Design, t_s: float) -> Image.Image:
    """One picture of the film, with the figure where the take would be."""
    stands = [replace(stand, size=made.size) for stand in made.stands()]
    return with_figures(made.scene(t_s), stands, made.subject_gain(t_s))


def draw_film_sheet(template: Template, fields: Mapping[str, str]) -> Image.Image:
    """Draw it.

    Args:
        template: read and checked.
        fields: the words for its columns, by name.

    Raises:
        UserError: a clip cannot be read.
    """
    film = template.film
    parts = Parts.of(film.opening, film.closing, TAKE_S)
    times = key_times(parts)
    font = drawn_font(17)
    rows: list[Image.Image] = []
    for shape in SHAPES.values():
        columns = 4 if shape.size[1] > shape.size[0] else len(times)
        wide = (_WIDE - _GAP * (columns + 1)) // columns
        high = round(shape.size[0] * wide / shape.size[1])
        with closing(design(template, shape, fields, TAKE_S)) as made:
            pictures = [(t, _picture(made, t).resize((wide, high))) for t in times]
        for first in range(0, len(pictures), columns):
            row = Image.new("RGB", (_WIDE, high + _CAPTION + _GAP), PAPER)
            pen = ImageDraw.Draw(row)
            for i, (t_s, picture) in enumerate(pictures[first : first + columns]):
                x = _GAP + i * (wide + _GAP)
                row.paste(picture, (x, _GAP))
                at_s = made.take_at(t_s)
                said = "card" if at_s is None else f"take {at_s:.1f} s"
                pen.text((x, high + _GAP + 5), f"{t_s:.1f} s, {said}", fill=INK, font=font)
            rows.append(row)
    sheet = Image.new("RGB", (_WIDE, sum(r.height for r in rows)), PAPER)
    y = 0
    for row in rows:
        sheet.paste(row, (0, y))
        y += row.height
    return sheet
