"""Make a template ready for one picture: flatten what is below, fold what is above.

Everything without words on it is kept by size, so that the next person costs only the words.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import partial
from itertools import groupby

from torch import Tensor

from models.composite import KEEPS_COVERAGE, Overlay, Scene, apply_overlays
from models.flatten import (
    Flat,
    Folded,
    Group,
    Node,
    Raster,
    finish,
    flatten,
    fold,
    join,
    on_paper,
)
from stream.template.arrange import Arrangement, Block, Item, has_text
from stream.template.codes import Code
from stream.template.kept import Parts
from stream.template.layers import Layer
from stream.template.svg import SvgLayer
from stream.template.wording import Text

Size = tuple[int, int]
Draw = Callable[[Text | Code], Sequence[Node]]


def nodes_of(item: Item, draw: Draw, canvas: Size) -> list[Node]:
    """One item of an arrangement on a canvas of (H, W) as it is flattened."""
    if isinstance(item, Layer):
        sharp = partial(item.sharp, canvas) if isinstance(item, SvgLayer) else None
        return [Raster(item.pixels, item.x, item.y, item.mode, item.opacity, sharp)]
    if isinstance(item, Block):
        inner = tuple(n for child in item.children for n in nodes_of(child, draw, canvas))
        return [Group(inner, item.mode, item.opacity)]
    return list(draw(item)) if isinstance(item, Text | Code) else []


def _nodes(items: Sequence[Item], draw: Draw, canvas: Size) -> list[Node]:
    return [n for item in items for n in nodes_of(item, draw, canvas)]


def _runs(items: Sequence[Item]) -> list[tuple[bool, list[Item]]]:
    """Items in runs: True and those with words on them, False and those without."""
    return [(texty, list(run)) for texty, run in groupby(items, has_text)]


def _keeps_coverage(items: Sequence[Item]) -> bool:
    return all(i.mode in KEEPS_COVERAGE for i in items if isinstance(i, Layer | Block))


def _overlays(
    items: Sequence[Item], canvas: Size, size: Size, draw: Draw, kept: Parts, label: str
) -> tuple[Overlay, ...]:
    """Fold items above an opaque picture."""
    if not _keeps_coverage(items):
        # Layers that take the picture away hang on what came before: in one go, and not kept.
        return finish(fold(_nodes(items, draw, canvas), canvas, size))
    done = Folded()
    for i, (texty, run) in enumerate(_runs(items)):
        if texty:
            nodes = _nodes(run, draw, canvas)
            done = fold(nodes, canvas, size, start=done) if nodes else done
            continue
        part = kept.find((label, i, size))
        if not isinstance(part, Folded):
            part = fold(_nodes(run, draw, canvas), canvas, size)
            kept.keep((label, i, size), part)
        done = join(done, part)
    return done.overlays


def _below(items: Sequence[Item], canvas: Size, size: Size, draw: Draw, kept: Parts) -> Tensor:
    """Flatten what lies below the subject, in linear light."""
    runs = _runs(items)
    if not any(texty for texty, _ in runs):
        ready = kept.find(("ground", 0, size))
        if isinstance(ready, Flat | Folded) or ready is None:
            flat = flatten(_nodes(items, draw, canvas), canvas, size)
            ready = on_paper(flat, out=flat.rgb_pm)
            kept.keep(("ground", 0, size), ready)
        return ready
    start: Flat | None = None
    rest = list(items)
    if not runs[0][0]:
        part = kept.find(("start", 0, size))
        if isinstance(part, Flat):
            start = part
        else:
            start = flatten(_nodes(runs[0][1], draw, canvas), canvas, size)
            kept.keep(("start", 0, size), start)
        rest = rest[len(runs[0][1]) :]
        if start.opaque:
            steps = _overlays(rest, canvas, size, draw, kept, "below")
            encoded = apply_overlays(start.rgb_pm, steps)
            return on_paper(Flat(encoded, start.alpha))
    flat = flatten(_nodes(rest, draw, canvas), canvas, size, start)
    return on_paper(flat, out=flat.rgb_pm)


def make_scene(
    arrangement: Arrangement, canvas: Size, size: Size, draw: Draw, kept: Parts
) -> Scene:
    """Flatten and fold an arrangement for one picture.

    Args:
        arrangement: the layers and texts in order.
        canvas: (H, W) that they refer to.
        size: (H, W) of the picture.
        draw: gives the drawn words of a text, or a code's modules.
        kept: parts from earlier pictures.
    """
    below = _below(arrangement.below, canvas, size, draw, kept)
    above = _overlays(arrangement.above, canvas, size, draw, kept, "above")
    between = tuple(
        _overlays(items, canvas, size, draw, kept, f"between {i}")
        for i, items in enumerate(arrangement.between)
    )
    return Scene(below, above, between, arrangement.order)
