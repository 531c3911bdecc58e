"""A finished picture as layers again: the design, and each subject with its matte and retouch."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
import torch
from PIL import Image
from torch import Tensor

from models.blend import Mode
from models.flatten import Node, Raster, flatten, to_codes
from models.tiles import trim
from stream.opening.names import COLOUR, FRAME, MATTE, RETOUCH
from stream.template import OraGroup, OraLayer, Template
from stream.template.arrange import Block, Here, Item
from stream.template.film import FilmLayer
from stream.template.layers import Layer
from stream.template.scene import Draw, nodes_of
from stream.template.wording import Text

Size = tuple[int, int]
Part = OraLayer | OraGroup


def picture_of(codes: Tensor) -> Image.Image:
    """(4, h, w) uint8 as a Pillow picture."""
    return Image.fromarray(np.ascontiguousarray(codes.permute(1, 2, 0).numpy()), "RGBA")


def _painted(name: str, nodes: Sequence[Node], canvas: Size, size: Size) -> OraLayer | None:
    """Nodes flattened alone into one layer, without its empty rim; None where nothing shows."""
    codes, x, y = trim(to_codes(flatten(nodes, canvas, size)), 0, 0)
    if codes.shape[-1] == 0:
        return None
    return OraLayer(name, picture_of(codes), x, y)


def _part(item: Item, canvas: Size, size: Size, draw: Draw) -> Part | None:
    if isinstance(item, Block):
        inner = [_part(child, canvas, size, draw) for child in item.children]
        children = tuple(p for p in inner if p is not None)
        return OraGroup(item.name, children, item.mode, item.opacity) if children else None
    if isinstance(item, Here | FilmLayer):  # the second is seen in films alone
        return None
    if isinstance(item, Layer):
        # Alone it blends with nothing: its own way of blending stays the layer's.
        plain = _painted(item.name, [_plain(n) for n in nodes_of(item, draw, canvas)], canvas, size)
        if plain is None:
            return None
        return OraLayer(plain.name, plain.image, plain.x, plain.y, item.mode, item.opacity)
    kind = "Words" if isinstance(item, Text) else "Code"
    return _painted(f"{kind}: {item.value}", nodes_of(item, draw, canvas), canvas, size)


def _plain(node: Node) -> Node:
    return replace(node, mode=Mode.NORMAL, opacity=1.0) if isinstance(node, Raster) else node


def subject_group(
    name: str,
    colour: Tensor,
    matte: Tensor,
    frame: Tensor,
    retouch: Tensor | None,
    shade: Tensor | None = None,
) -> OraGroup:
    """The layers of one subject, lowest first.

    Args:
        name: of the group, from `subject_name`.
        colour: (4, H, W) uint8, sRGB-encoded, straight.
        matte: (H, W) uint8.
        frame: (4, H, W) uint8, the untouched frame.
        retouch: (4, H, W) uint8 that was painted before; None for an empty layer.
        shade: (H, W) uint8, its shadow as the share of light that is left; None for none.
    """
    white = torch.full((3, *matte.shape), 255, dtype=torch.uint8)
    empty = torch.zeros((4, *matte.shape), dtype=torch.uint8)
    below: list[Part] = [OraLayer(FRAME, picture_of(frame), visible=False)]
    if shade is not None:
        grey = torch.cat([shade.expand(3, *shade.shape), white[:1]])
        below.append(OraLayer("Shadow", picture_of(grey), mode=Mode.MULTIPLY))
    cut_out = OraGroup(
        "Cut-out",
        (
            OraLayer(COLOUR, picture_of(colour)),
            OraLayer(MATTE, picture_of(torch.cat([white, matte[None]])), mode=Mode.DST_IN),
        ),
        isolated=True,
    )
    top = OraLayer(RETOUCH, picture_of(empty if retouch is None else retouch))
    return OraGroup(name, (*below, cut_out, top), isolated=False)


def document_layers(
    template: Template,
    size: Size,
    fields: Mapping[str, str],
    subjects: Sequence[OraGroup | None],
) -> list[Part]:
    """The layers of a picture, lowest first, each at the picture's size.

    Args:
        template: the design.
        size: (H, W) of the picture.
        fields: the words of the people in it.
        subjects: for each slot the subject that stands there, None where it is empty.
    """
    canvas, draw = (template.height, template.width), template.drawn(size, fields)
    order = template.arrangement
    runs = [order.below, *order.between, order.above]
    out: list[Part] = []
    for i, run in enumerate(runs):
        parts = (_part(item, canvas, size, draw) for item in run)
        out += [p for p in parts if p is not None]
        if i < len(order.order):
            subject = subjects[order.order[i]]
            if subject is not None:
                out.append(subject)
    return out
