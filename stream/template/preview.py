"""The preview of a template: its layers, a stand-in figure, sample words, and every edge named."""

from __future__ import annotations

import functools
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import torch
from PIL import Image, ImageDraw, ImageFont
from torch import Tensor

from models.color import to_codes
from models.composite import apply_overlays, over
from models.transfer import Transfer, decode, encode
from stream.template.reading import Box
from stream.template.slots import Slot
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
FIGURE = "#8f8f92"
# chosen: long enough that a shorter field of the sort is rare in a roster.
SAMPLES = {
    "name": "Wilhelmina-Theodora Hollenbrecht-Oskarsdotter",
    "group": "Upper Orchard Harvest Dancers",
    "number": "10048",
}
# A standing figure of height 1 from the middle of its head's top, half of it: 8 heads, as figure
# drawing teaches (common practice). Strokes: points and a width.
_STROKES = (
    (((0.0, 0.1), (0.0, 0.17)), 0.05),
    (((0.0, 0.175), (0.085, 0.19)), 0.06),
    (((0.104, 0.2), (0.128, 0.39), (0.12, 0.5)), 0.045),
    (((0.046, 0.5), (0.05, 0.75), (0.05, 0.97)), 0.08),
)
_TORSO = ((0.0, 0.15), (0.11, 0.18), (0.085, 0.4), (0.086, 0.5), (0.0, 0.53))
_HEAD = (-0.046, 0.0, 0.046, 0.13)
_SHARE = 0.82


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


@functools.cache
def _font(size: int) -> ImageFont.FreeTypeFont:
    path = Path(__file__).parent / "fonts" / "DejaVuSans.ttf"
    return ImageFont.truetype(path, size, layout_engine=ImageFont.Layout.BASIC)


def _figure(size: tuple[int, int], box: Box) -> Tensor:
    """(1, 1, H, W) coverage of a figure that stands on the lower edge of a box."""
    x, y, w, h = box
    tall = min(_SHARE * h, w / 0.32)
    fine = 2
    mask = Image.new("L", (size[1] * fine, size[0] * fine))
    pen = ImageDraw.Draw(mask)
    middle, top = x + w / 2, y + h - tall

    def at(point: tuple[float, float], side: int = 1) -> tuple[float, float]:
        return (middle + side * point[0] * tall) * fine, (top + point[1] * tall) * fine

    for side in (1, -1):
        pen.polygon([at(p, side) for p in _TORSO], fill=255)
        for points, width in _STROKES:
            half = width * tall * fine / 2
            ends = [at(p, side) for p in points]
            pen.line(ends, fill=255, width=max(1, round(2 * half)))
            for px, py in ends:
                pen.ellipse((px - half, py - half, px + half, py + half), fill=255)
    pen.ellipse((*at(_HEAD[:2]), *at(_HEAD[2:])), fill=255)
    small = np.array(mask.reduce(fine), np.float32) / 255
    return torch.from_numpy(small)[None, None]


def _flattened(template: Template, fields: Mapping[str, str], size: tuple[int, int]) -> Image.Image:
    """The template around the stand-in figure, as a picture would be made."""
    scene = template.scene(size, fields)
    picture = scene.below
    grey = torch.tensor([int(FIGURE[i : i + 2], 16) / 255 for i in (1, 3, 5)]).view(1, 3, 1, 1)
    encoded = encode(picture, Transfer.SRGB)
    for index, steps in zip(scene.order, scene.runs, strict=True):
        alpha = _figure(size, _scaled(template, _slot_box(template, template.slots[index]), size))
        figure = decode(grey, Transfer.SRGB).expand_as(picture) * alpha
        encoded = apply_overlays(encode(over(figure, alpha, picture), Transfer.SRGB), steps)
        picture = decode(encoded, Transfer.SRGB)
    return Image.fromarray(np.ascontiguousarray(to_codes(encoded, 8).numpy()))


def _slot_box(template: Template, slot: Slot) -> Box:
    return slot.box or (0.0, 0.0, float(template.width), float(template.height))


def _scaled(template: Template, box: Box, size: tuple[int, int]) -> Box:
    sy, sx = size[0] / template.height, size[1] / template.width
    return box[0] * sx, box[1] * sy, box[2] * sx, box[3] * sy


def _edges(box: Box) -> tuple[float, float, float, float]:
    return box[0], box[1], box[0] + box[2], box[1] + box[3]


def marks(template: Template, size: tuple[int, int]) -> list[Mark]:
    """The edges of a template in a preview of a size."""
    whole = template.picture_size()
    scale = size[0] / whole[0]
    out = [
        Mark(
            _edges(_scaled(template, _slot_box(template, slot), size)),
            SLOT,
            0,
            "slot" if len(template.slots) == 1 else f"slot {i}",
            f'where people stand, above the layer "{slot.above}"',
            "sw",
        )
        for i, slot in enumerate(template.slots, 1)
    ]
    for text in template.texts:
        out.append(
            Mark(
                _edges(_scaled(template, text.box, size)),
                WORDS,
                6,
                text.value,
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
    top, bottom = max(top, 2), min(bottom, size[0] - 3)
    if left >= right or top >= bottom:
        return
    for a, b in (((left, top), (right, top)), ((right, top), (right, bottom)),
                 ((left, bottom), (right, bottom)), ((left, top), (left, bottom))):  # fmt: skip
        _line(pen, a, b, mark)
    font = _font(19)
    width = min(font.getlength(mark.label) + 12, right - left)
    x = left if mark.corner[1] == "w" else right - width
    y = top if mark.corner[0] == "n" else bottom - LABEL
    if mark.outside and y >= LABEL:
        y -= LABEL
    pen.rectangle((x, y, x + width, y + LABEL), fill=(0, 0, 0))
    pen.text((x + 6, y + LABEL / 2), mark.label, fill=mark.color, font=font, anchor="lm")


def _legend(found: list[Mark], width: int) -> Image.Image:
    lines = list(dict.fromkeys((m.color, m.dash, m.meaning) for m in found))
    font = _font(22)
    sheet = Image.new("RGB", (width, 34 * len(lines) + 28), PAPER)
    pen = ImageDraw.Draw(sheet)
    for i, (color, dash, meaning) in enumerate(lines):
        y = 30 + 34 * i
        _line(pen, (20, y), (90, y), Mark((0, 0, 0, 0), color, dash, "", ""))
        pen.text((108, y), meaning, fill=INK, font=font, anchor="lm")
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
