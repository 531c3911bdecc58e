"""A template with mistakes, without the parts that are wrong: enough to draw a preview of it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from stream.errors import UserError
from stream.template.arrange import Arrangement, arrange
from stream.template.codes import Code
from stream.template.layers import Document, Layer, LayerGroup, walk
from stream.template.loader import Gathered, build, check_shape, gather
from stream.template.sizing import Picture
from stream.template.slots import Slot
from stream.template.template import Template
from stream.template.wording import Text

_PPI = 300.0


def _sound(layers: Sequence[Layer | LayerGroup]) -> tuple[Layer | LayerGroup, ...]:
    """The layers that can be unpacked."""
    out: list[Layer | LayerGroup] = []
    for at in layers:
        if isinstance(at, LayerGroup):
            out.append(replace(at, children=_sound(at.children)))
            continue
        try:
            at.pixels()
        except UserError:
            continue
        out.append(at)
    return tuple(out)


def _near(item: Text | Code, document: Document) -> bool:
    """Whether a box that leaves the canvas is one that was only moved too far.

    What it holds is drawn as large as it says, and a slip of the finger can say 100 000 pixels.
    """
    (high, wide), (x, y, w, h) = document.size, item.box
    return abs(x) <= wide and abs(y) <= high and w <= 2 * wide and h <= 2 * high


def _picture(found: Gathered, document: Document) -> Picture | None:
    """The size that is asked for, or the canvas itself where that cannot be."""
    asked = found.described.picture
    if asked is not None and not check_shape(document, asked.size):
        return asked
    ppi = asked.ppi if asked is not None else document.ppi or _PPI
    high, wide = document.size
    canvas = Picture(wide / ppi, high / ppi, ppi)
    return None if check_shape(document, canvas.size) else canvas


def _ground(layers: tuple[Layer | LayerGroup, ...], written: Sequence[Text | Code]) -> Arrangement:
    """All of it with nobody in it."""
    names = [at.name for at in walk(layers)]
    name = next((n for n in names if names.count(n) == 1), None)
    halves = None if name is None else arrange(layers, [Slot(name)], written, [])
    if halves is None:
        return Arrangement((), ())
    return Arrangement((*halves.below, *halves.above), ())


def sketch(folder: Path) -> Template | None:
    """A template of what of a folder can be drawn; None where that is nothing.

    Args:
        folder: what holds template.toml.
    """
    found = gather(folder)
    if found.document is None:
        return None
    layers = _sound(found.document.layers)
    document = replace(found.document, layers=layers)
    picture = _picture(found, document)
    if not layers or picture is None:
        return None
    names = [at.name for at in walk(layers)]
    texts = tuple(
        t
        for t in found.described.texts
        if t.fonts in found.faces and names.count(t.above) == 1 and _near(t, document)
    )
    codes = tuple(
        c for c in found.described.codes if names.count(c.above) == 1 and _near(c, document)
    )
    slots = tuple(s for s in found.described.slots if arrange(layers, [s], (), []) is not None)
    # Which shot a slot shows matters only with all of them there.
    slots = tuple(replace(s, shows=i) for i, s in enumerate(slots, 1))
    written: tuple[Text | Code, ...] = (*texts, *codes)
    made = arrange(layers, slots, written, []) if slots else None
    if made is None:
        slots, made = (), _ground(layers, written)
    described = replace(found.described, picture=picture, slots=slots, texts=texts, codes=codes)
    return build(replace(found, described=described, document=document), made)
