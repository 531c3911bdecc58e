"""Make a template ready for one picture: flatten what is below, fold what is above.

Everything without words on it is kept by size, so that the next person costs only the words.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from itertools import groupby
from typing import TypeVar, cast

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
from stream.template.flattened import copied, window
from stream.template.kept import Parts
from stream.template.layers import Layer
from stream.template.svg import SvgLayer
from stream.template.wording import Text

Size = tuple[int, int]
_P = TypeVar("_P", Tensor, Flat, Folded)
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


@dataclass(frozen=True)
class _Making:
    """What a scene is made for.

    Attributes:
        canvas: (H, W) that positions refer to.
        size: (H, W) of the picture.
        draw: gives the drawn words of a text, or a code's modules.
        kept: parts from earlier pictures.
        rows: of the picture that are wanted; None for all.
    """

    canvas: Size
    size: Size
    draw: Draw
    kept: Parts
    rows: slice | None

    def nodes(self, items: Sequence[Item]) -> list[Node]:
        return _nodes(items, self.draw, self.canvas)

    def folded(self, items: Sequence[Item], start: Folded | None = None) -> Folded:
        return fold(self.nodes(items), self.canvas, self.size, start, self.rows)

    def flat(self, items: Sequence[Item], start: Flat | None = None) -> Flat:
        return flatten(self.nodes(items), self.canvas, self.size, start, self.rows)

    def part(self, kind: type[_P], label: str, i: int, make: Callable[[], _P]) -> _P:
        """A part that is kept: found, or made whole."""
        key = (label, i, self.size)
        found = self.kept.find(key, self.rows)
        if isinstance(found, kind):
            return found
        made = make()
        self.kept.keep(key, made)
        # A view would hold all of it.
        return made if self.rows is None else cast(_P, copied(window(made, self.rows)))


def _overlays(items: Sequence[Item], making: _Making, label: str) -> tuple[Overlay, ...]:
    """Fold items above an opaque picture."""
    canvas, size = making.canvas, making.size
    if not _keeps_coverage(items):
        # Layers that take the picture away hang on what came before: in one go, and not kept.
        return finish(making.folded(items))
    done = Folded()
    for i, (texty, run) in enumerate(_runs(items)):
        if texty:
            nodes = making.nodes(run)
            done = fold(nodes, canvas, size, done, making.rows) if nodes else done
            continue
        whole = partial(fold, making.nodes(run), canvas, size)
        done = join(done, making.part(Folded, label, i, whole))
    return done.overlays


def _below(items: Sequence[Item], making: _Making) -> Tensor:
    """Flatten what lies below the subject, in linear light."""
    canvas, size = making.canvas, making.size
    runs = _runs(items)
    if not any(texty for texty, _ in runs):

        def ground() -> Tensor:
            flat = flatten(making.nodes(items), canvas, size)
            return on_paper(flat, out=flat.rgb_pm)

        return making.part(Tensor, "ground", 0, ground)
    start: Flat | None = None
    rest = list(items)
    if not runs[0][0]:
        whole = partial(flatten, making.nodes(runs[0][1]), canvas, size)
        start = making.part(Flat, "start", 0, whole)
        rest = rest[len(runs[0][1]) :]
        if start.opaque:
            steps = _overlays(rest, making, "below")
            encoded = apply_overlays(start.rgb_pm, steps)
            return on_paper(Flat(encoded, start.alpha))
    flat = making.flat(rest, start)
    return on_paper(flat, out=flat.rgb_pm)


def make_scene(
    arrangement: Arrangement,
    canvas: Size,
    size: Size,
    draw: Draw,
    kept: Parts,
    rows: slice | None = None,
) -> Scene:
    """Flatten and fold an arrangement for one picture.

    Args:
        arrangement: the layers and texts in order.
        canvas: (H, W) that they refer to.
        size: (H, W) of the picture.
        draw: gives the drawn words of a text, or a code's modules.
        kept: parts from earlier pictures.
        rows: of the picture that are wanted; None for all.
    """
    making = _Making(canvas, size, draw, kept, rows)
    below = _below(arrangement.below, making)
    above = _overlays(arrangement.above, making, "above")
    between = tuple(
        _overlays(items, making, f"between {i}") for i, items in enumerate(arrangement.between)
    )
    return Scene(below, above, between, arrangement.order)
