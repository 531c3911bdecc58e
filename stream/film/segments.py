"""A template's layers as the segments of a film's runs: what moves by itself, what stands still."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import torch
from torch import Tensor

from models import sides
from models.composite import Mode
from models.flatten import Ink, Node, flatten, on_paper
from models.moving import pixels_enc
from stream.film.clip import ClipReader
from stream.film.elements import ClipLayer, Drawn, Element, Mixed, Motion, StillLayer
from stream.film.poses import Parts
from stream.film.runs import Segment, Shown, still
from stream.film.view import Seen
from stream.shape import Shape
from stream.template.arrange import Block, Item, has_text
from stream.template.codes import Code
from stream.template.film import Film, FilmLayer, Move
from stream.template.film_order import FilmOrder, order_film
from stream.template.layers import Layer
from stream.template.scene import nodes_of
from stream.template.template import Template
from stream.template.wording import Text

# chosen: what the blurred sides are made of; blurred, a film shows no more of it.
_SMALL = 240


class Segments:
    """The segments of one film.

    Attributes:
        order: which layers lie below, between and above the subjects.
    """

    def __init__(
        self,
        template: Template,
        shape: Shape,
        fields: Mapping[str, str],
        parts: Parts,
        seen: Seen,
        device: torch.device,
    ) -> None:
        """Put the layers in order; nothing is drawn yet.

        Args:
            template: with or without a film part.
            shape: of the film.
            fields: roster columns of the person, by name.
            parts: of the film.
            seen: what it shows of the canvas.
            device: where the tensors shall lie.
        """
        self._template, self._shape, self._parts, self._seen = template, shape, parts, seen
        self._film: Film = template.film
        self._device = device
        self._draw = template.drawn(seen.scaled, fields)
        self.order = self._ordered()

    def _ordered(self) -> FilmOrder:
        template = self._template
        if not (self._film.layers or self._film.texts or self._film.moves or self._cards):
            return FilmOrder(template.arrangement, {})
        problems: list[str] = []
        written: tuple[Text | Code, ...] = (*template.texts, *template.codes)
        order = order_film(
            template.layers, template.slots, written, self._film, self._shape.name, problems
        )
        if order is None:  # pragma: no cover - the loader has ordered it before
            raise ValueError("; ".join(problems))
        return order

    @property
    def _cards(self) -> bool:
        return any(c.show is not None for c in (self._film.opening, self._film.closing))

    def _shown(self, item: Item) -> Shown:
        """In which parts of the film an item is seen."""
        film = self._film
        during = next((x.during for x in film.layers if x is item), None)
        if during is None:
            during = next((t.during for t in film.texts if t.text is item), None)
        if during is not None:
            seen = ["in" in during, "take" in during, "out" in during]
        else:
            names = self.order.names_of(item)
            seen = [
                card.show is None or bool(names & set(card.show)) or self._inside(item, card.show)
                for card in (film.opening, film.closing)
            ]
            seen.insert(1, True)
        # A part that the film has not asks for no fade.
        before = seen[0] if film.opening.seconds > 0 else seen[1]
        after = seen[2] if film.closing.seconds > 0 else seen[1]
        return before, seen[1], after

    def _inside(self, item: Item, show: Sequence[str]) -> bool:
        """Whether a group that blends as one holds something that a card shows."""
        if not isinstance(item, Block):
            return False
        return any(
            self.order.names_of(child) & set(show) or self._inside(child, show)
            for child in item.children
        )

    def _moves(self, item: Item) -> tuple[Move, ...]:
        names = self.order.names_of(item)
        return tuple(
            m for m in self._film.moves if m.of in names and m.only in (None, self._shape.name)
        )

    def _own_moves(self, item: Item, outer: Sequence[Move]) -> tuple[Move, ...]:
        return tuple(m for m in self._moves(item) if m not in outer)

    def _lively(self, item: Item, outer: Sequence[Move] = ()) -> bool:
        """Whether an item, or something in it, moves."""
        if isinstance(item, FilmLayer) or self._own_moves(item, outer):
            return True
        return isinstance(item, Block) and any(self._lively(c, outer) for c in item.children)

    def _element(self, item: Item, shown: Shown, outer: Sequence[Move] = ()) -> Element:
        own = self._own_moves(item, outer)
        motion = Motion(own, shown, self._parts)
        seen, device = self._seen, self._device
        if isinstance(item, FilmLayer):
            if item.file in self._film.stills:
                pixels = pixels_enc(self._film.stills[item.file].pixels())
                return StillLayer(motion, seen, item, pixels, device)
            facts = self._film.clips[item.file]
            reader = ClipReader(self._film.paths[item.file], item.file, facts)
            return ClipLayer(motion, seen, item, facts, reader, device)
        if isinstance(item, Block):
            inner = (*outer, *own)
            if any(self._lively(c, inner) for c in item.children):
                children = self._children(item.children, shown, inner)
                return Mixed(motion, seen, item.mode, item.opacity, children, device)
        mode, opacity = Mode.NORMAL, 1.0
        nodes = self._nodes([item])
        if isinstance(item, Layer | Block):
            mode, opacity = item.mode, item.opacity
            nodes = [_bare(n) for n in nodes]
        return Drawn(motion, seen, mode, opacity, nodes, device)

    def _children(
        self, items: Sequence[Item], shown: Shown, outer: Sequence[Move]
    ) -> list[Node | Element]:
        out: list[Node | Element] = []
        for item in items:
            if self._lively(item, outer):
                out.append(self._element(item, shown, outer))
            else:
                out += self._nodes([item])
        return out

    def _nodes(self, items: Sequence[Item]) -> list[Node]:
        return [n for item in items for n in nodes_of(item, self._draw, self._seen.canvas)]

    def of_run(self, items: Sequence[Item], label: str) -> list[Segment]:
        """A run's layers: those that move alone, those that stand still together.

        Args:
            items: of the run, from below to above.
            label: tells the run from the film's others.
        """
        out: list[Segment] = []
        group: list[Item] = []
        shown: Shown = (True, True, True)

        def close() -> None:
            if group:
                key = f"film {self._shape.name} {label} {len(out)}"
                out.append(still(self._nodes(group), group, shown, key))
                group.clear()

        for item in items:
            here = self._shown(item)
            if self._lively(item):
                close()
                out.append(self._element(item, here))
                continue
            # Words apart, so that what is beside them is kept for the next person.
            if group and (here != shown or has_text(item) != has_text(group[-1])):
                close()
            shown = here
            group.append(item)
        close()
        return out

    def sides(self) -> Tensor | None:
        """What lies beside the window, linear; None where it fills the film."""
        seen = self._seen
        if seen.fills and seen.covered:
            return None
        color = self._film.view(self._shape.name).sides
        if color is not None:
            return sides.plain(color, seen.size)
        high, wide = seen.canvas
        small = (_SMALL, max(2, round(wide * _SMALL / high)))
        items = [i for i in self._template.arrangement.below if not has_text(i)]
        flat = flatten(self._nodes(items), seen.canvas, small)
        blurred = sides.blurred(on_paper(flat), seen.size)
        return blurred if seen.fills else sides.shaded(blurred, seen.area)


def _bare(node: Node) -> Node:
    """A node without its mode and opacity, which its element has."""
    if isinstance(node, Ink):
        return node
    return replace(node, mode=Mode.NORMAL, opacity=1.0)
