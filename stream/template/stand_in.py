"""The figure that stands in for people in a preview, placed as a subject would be."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import torch
from PIL import Image, ImageDraw
from torch import Tensor

from models.composite import Scene
from models.figure import Figure
from models.flat_subject import flat_subject
from models.laying import Laying
from models.resample import Placement
from stream.template.nudge import Nudge
from stream.template.standing import Stand

# A standing figure of height 1 from the middle of its head's top, half of it: 8 heads, as figure
# drawing teaches (common practice). Strokes: points and a width.
_STROKES = (
    (((0.0, 0.1), (0.0, 0.17)), 0.05),
    (((0.0, 0.175), (0.085, 0.19)), 0.06),
    (((0.104, 0.2), (0.128, 0.39), (0.12, 0.5)), 0.045),
    (((0.046, 0.5), (0.05, 0.75), (0.05, 0.96)), 0.08),
)
_TORSO = ((0.0, 0.15), (0.11, 0.18), (0.085, 0.4), (0.086, 0.5), (0.0, 0.53))
_HEAD_HALF, _HEAD = 0.046, 0.13
_HALF_WIDE = 0.1505
# An upright frame of a camera, 3:2, with somebody standing in it: room above the head, feet near
# the lower edge (common practice).
FRAME = (1500, 1000)
_ABOVE, _TALL = 0.16, 0.82
FIGURE = Figure(
    left=0.5 - _HALF_WIDE * _TALL * FRAME[0] / FRAME[1],
    right=0.5 + _HALF_WIDE * _TALL * FRAME[0] / FRAME[1],
    top=_ABOVE,
    bottom=_ABOVE + _TALL,
    centre=0.5,
    head=_ABOVE,
    head_height=_HEAD * _TALL,
    feet=_ABOVE + _TALL,
)
# Neither of people's colours nor of screens'.
_COLOR = (143 / 255, 143 / 255, 146 / 255)


def lines(stand: Stand) -> dict[str, float]:
    """Heights in the picture of what a slot holds on to: head, chin, feet; of frames none."""
    if not stand.slot.wants_figure:
        return {}
    at = stand.place(FRAME, False, FIGURE, Nudge())
    head = at.dy + at.scale * _ABOVE * FRAME[0]
    tall = at.scale * _TALL * FRAME[0]
    return {"head": head, "chin": head + _HEAD * tall, "feet": head + tall}


def with_figures(scene: Scene, stands: Sequence[Stand], gain: float = 1.0) -> Image.Image:
    """A scene with the figure in its slots, laid as subjects are.

    Args:
        scene: on the CPU.
        stands: its first slots in a picture of its size.
        gain: how much of the figures is seen, 0 to 1.
    """
    placed = [flat_subject(_coverage(stand), _COLOR, gain) for stand in stands if gain > 0]
    return Image.fromarray(Laying()(placed, scene).picture.numpy())


def _coverage(stand: Stand) -> Tensor:
    """(1, 1, H, W) coverage of the figure in the picture of a slot."""
    return _drawn(stand.place(FRAME, False, FIGURE, Nudge()), stand.size)


def _drawn(place: Placement, size: tuple[int, int]) -> Tensor:
    tall = place.scale * _TALL * FRAME[0]
    middle = place.dx + place.scale * FRAME[1] / 2
    top = place.dy + place.scale * _ABOVE * FRAME[0]
    fine = 2
    mask = Image.new("L", (size[1] * fine, size[0] * fine))
    pen = ImageDraw.Draw(mask)

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
    pen.ellipse((*at((-_HEAD_HALF, 0)), *at((_HEAD_HALF, _HEAD))), fill=255)
    small = np.array(mask.reduce(fine), np.float32) / 255
    return torch.from_numpy(small)[None, None]
