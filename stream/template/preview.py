"""The preview of a template: its layers, a stand-in figure, sample words, and every edge named."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping
from dataclasses import dataclass

from PIL import Image, ImageDraw

from stream.drawn_words import drawn_font
from stream.template.reading import Box
from stream.template.stand_in import lines, with_figures
from stream.template.template import Template, preview_size

HEIGHT = 1500
LEAST_HEIGHT = 900
LABEL = 26
PAPER, INK = (33, 33, 35), (238, 238, 236)
# Each line has a pattern of its own beside its colour.
Color = tuple[int, int, int]
CUT: Color = (255, 96, 80)
SAFE: Color = (110, 200, 255)
SLOT: Color = (255, 214, 64)
WORDS: Color = (190, 240, 130)
CODE: Color = (255, 150, 240)
FIGURE_LINE: Color = (255, 255, 255)
_FITS = {
    "cover": "the camera's picture fills it, held at its {1}",
    "contain": "the camera's whole picture lies in it, held at its {1}",
    "figure": "the person fills it, held by the {1}",
    "head": "the person's head is {0} pixels of the layers high, held by the {1}",
}
_HOLDS = {
    **{"bottom": "lower edge", "top": "upper edge", "center": "middle"},
    **{"feet": "feet", "head": "head"},
}
# chosen: long enough that a shorter field of the sort is rare in a roster.
SAMPLES = {
    "name": "Wilhelmina-Theodora Hollenbrecht-Oskarsdotter",
    "group": "Upper Orchard Harvest Dancers",
    "number": "10048",
}


@dataclass(frozen=True)
class Mark:
    """One edge to be drawn.

    Attributes:
        box: left, top, right, bottom in pixels of the preview.
        color: of the line.
        dash: pixels of a dash and its gap; 0: a solid line.
        label: a word or two, beside the line.
        meaning: the same in the legend, as a sentence.
        corner: where the label goes: "nw", "ne", "sw" or "se".
        outside: above the line instead of below it, where there is room.
    """

    box: tuple[float, float, float, float]
    color: Color
    dash: int
    label: str
    meaning: str
    corner: str = "nw"
    outside: bool = False


def sample_fields(template: Template, given: Mapping[str, str]) -> dict[str, str]:
    """Words for every column that a template writes: those given, else long ones."""
    return {
        column: given.get(column, SAMPLES.get(column.lower(), column.title()))
        for column in template.columns
    } | dict(given)


def _flattened(template: Template, fields: Mapping[str, str], size: tuple[int, int]) -> Image.Image:
    """The template around the stand-in figure, as a picture would be made."""
    scene = template.scene(size, fields)
    # A template that cannot be used yet may have no place for anybody.
    slots = range(min(len(scene.order), len(template.slots)))
    return with_figures(scene, [template.stand(size, n) for n in slots])


def _scaled(template: Template, box: Box, size: tuple[int, int]) -> Box:
    sy, sx = size[0] / template.height, size[1] / template.width
    return box[0] * sx, box[1] * sy, box[2] * sx, box[3] * sy


def _edges(box: Box) -> tuple[float, float, float, float]:
    return box[0], box[1], box[0] + box[2], box[1] + box[3]


def _slot_marks(template: Template, index: int, size: tuple[int, int]) -> list[Mark]:
    """A slot's box, and the lines that a person in it holds on to."""
    slot, many = template.slots[index], len(template.slots) > 1
    stand = template.stand(size, index)
    label = f"slot {index + 1}" if many else "slot"
    way = _FITS[slot.fit].format(round(slot.head or 0), _HOLDS[slot.anchor])
    meaning = f'{label}: above the layer "{slot.above}"; {way}'
    meaning += f"; shot {slot.shows} of the picture" if template.shots > 1 else ""
    meaning += "; left and right exchanged" if slot.mirror else ""
    out = [Mark(_edges(stand.box), SLOT, 0, label, meaning, "sw")]
    x, _, w, _ = stand.box
    wanted = {"head", "feet"} | ({"chin"} if slot.fit == "head" else set())
    for name, y in lines(stand).items():
        if name in wanted:
            here = f"{name} {index + 1}" if many else name
            told = "where head, chin and feet of a person of 8 heads come to stand"
            out.append(Mark((x, y, x + w, y), FIGURE_LINE, 9, here, told, "ne"))
    return out


def marks(template: Template, size: tuple[int, int]) -> list[Mark]:
    """The edges of a template in a preview of a size."""
    whole = template.picture_size()
    scale = size[0] / whole[0]
    out: list[Mark] = []
    for i in range(len(template.slots)):
        out += _slot_marks(template, i, size)
    for code in template.codes:
        meaning = f'a QR code, above the layer "{code.above}"'
        box = _edges(_scaled(template, code.box, size))
        out.append(Mark(box, CODE, 3, code.said, meaning, outside=True))
    for text in template.texts:
        out.append(
            Mark(
                _edges(_scaled(template, text.box, size)),
                WORDS,
                6,
                text.said,
                f'words, above the layer "{text.above}"',
                outside=True,
            )
        )
    high, wide = template.trim_size
    edge = template.bleed_px
    left, top, right, bottom = (scale * v for v in (edge, edge, edge + wide, edge + high))
    if template.bleed_px:
        out.append(Mark((left, top, right, bottom), CUT, 0, "cut", "the paper is cut here", "ne"))
    if template.safe_px:
        s = template.safe_px * scale
        inner = (left + s, top + s, right - s, bottom - s)
        meaning = "the safe area: keep faces and words inside"
        out.append(Mark(inner, SAFE, 14, "safe area", meaning, "ne"))
    return out


def _line(
    pen: ImageDraw.ImageDraw, a: tuple[float, float], b: tuple[float, float], mark: Mark
) -> None:
    length = max(abs(b[0] - a[0]), abs(b[1] - a[1]))
    step = 2.0 * mark.dash if mark.dash else max(length, 1.0)
    dash = float(mark.dash) if mark.dash else step
    # Dark under light, so that it shows on any design.
    for color, width in (((0, 0, 0), 5), (mark.color, 2)):
        at = 0.0
        while at < length:
            t0, t1 = at / length, min(at + dash, length) / length
            pen.line(
                (a[0] + (b[0] - a[0]) * t0, a[1] + (b[1] - a[1]) * t0,
                 a[0] + (b[0] - a[0]) * t1, a[1] + (b[1] - a[1]) * t1),
                fill=color, width=width,
            )  # fmt: skip
            at += step


def _rectangle(pen: ImageDraw.ImageDraw, mark: Mark, size: tuple[int, int]) -> None:
    left, top, right, bottom = mark.box
    # An edge on the picture's own border is drawn just inside, where it can be seen.
    left, right = max(left, 2), min(right, size[1] - 3)
    if left >= right or top > size[0] or bottom < 0:
        return
    top, bottom = min(max(top, 2), size[0] - 3), max(min(bottom, size[0] - 3), 2)
    for a, b in (((left, top), (right, top)), ((right, top), (right, bottom)),
                 ((left, bottom), (right, bottom)), ((left, top), (left, bottom))):  # fmt: skip
        _line(pen, a, b, mark)
    font = drawn_font(19)
    width = min(font.getlength(mark.label) + 12, size[1])
    x = left if mark.corner[1] == "w" else right - width
    x = max(0.0, min(x, size[1] - width))
    y = top if mark.corner[0] == "n" else bottom - LABEL
    if mark.outside and y >= LABEL:
        y -= LABEL
    pen.rectangle((x, y, x + width, y + LABEL), fill=(0, 0, 0))
    pen.text((x + 6, y + LABEL / 2), mark.label, fill=mark.color, font=font, anchor="lm")


def _legend(found: list[Mark], width: int) -> Image.Image:
    told = dict.fromkeys((m.color, m.dash, m.meaning) for m in found)
    rows = [
        (color, dash, words, n == 0)
        for color, dash, meaning in told
        for n, words in enumerate(textwrap.wrap(meaning, max(20, (width - 128) // 12)))
    ]
    font = drawn_font(22)
    sheet = Image.new("RGB", (width, 34 * len(rows) + 28), PAPER)
    pen = ImageDraw.Draw(sheet)
    for i, (color, dash, words, first) in enumerate(rows):
        y = 30 + 34 * i
        if first:
            _line(pen, (20, y), (90, y), Mark((0, 0, 0, 0), color, dash, "", ""))
        pen.text((108, y), words, fill=INK, font=font, anchor="lm")
    return sheet


def draw_preview(template: Template, fields: Mapping[str, str]) -> Image.Image:
    """Draw the preview.

    Args:
        template: read and checked.
        fields: the words for its columns, by name.
    """
    size = preview_size(template.picture_size(), HEIGHT)
    image = _flattened(template, fields, size)
    if image.height < LEAST_HEIGHT:
        size = (LEAST_HEIGHT, max(1, round(image.width * LEAST_HEIGHT / image.height)))
        image = image.resize((size[1], size[0]), Image.Resampling.LANCZOS)
    found = marks(template, size)
    pen = ImageDraw.Draw(image)
    for mark in found:
        _rectangle(pen, mark, size)
    legend = _legend(found, max(image.width, 560))
    sheet = Image.new("RGB", (legend.width, image.height + legend.height), PAPER)
    sheet.paste(image, ((legend.width - image.width) // 2, 0))
    sheet.paste(legend, (0, image.height))
    return sheet
