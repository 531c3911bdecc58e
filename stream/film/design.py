"""A template as the design of one film: what is seen around the subject at each time.

The subject lies in it as in a still; layers that move, clips and cards change the scene around it.
At rest the scene is the still's, at the scale of the film.
"""

from __future__ import annotations

from collections.abc import Hashable, Mapping, Sequence
from dataclasses import replace

import torch
from torch import Tensor

from models import sides
from models.composite import Mode, Scene
from models.flatten import Ink, Node, flatten, on_paper
from models.moving import pixels_enc
from models.placing import Placing
from stream.film.clip import ClipReader
from stream.film.elements import ClipLayer, Drawn, Element, Mixed, Motion, StillLayer
from stream.film.poses import Parts
from stream.film.runs import FilmRun, Segment, Shown, still
from stream.film.shape import Shape
from stream.film.sound_plan import SoundPlan, sound_plan
from stream.film.view import Seen, look
from stream.sound.music import Music
from stream.template.arrange import Block, Item, has_text
from stream.template.codes import Code
from stream.template.film import Film, FilmLayer, Move
from stream.template.film_order import FilmOrder, order_film
from stream.template.layers import Layer
from stream.template.nudge import Nudge
from stream.template.scene import nodes_of
from stream.template.standing import Stand
from stream.template.template import Template
from stream.template.wording import Text

__all__ = ["Design", "Music", "SoundPlan", "design"]

# chosen: what the blurred sides are made of; blurred, a film shows no more of it.
_SMALL = 240


class _Maker:
    """Makes the runs of a film."""

    def __init__(
        self,
        template: Template,
        shape: Shape,
        fields: Mapping[str, str],
        parts: Parts,
        seen: Seen,
        device: torch.device,
    ) -> None:
        self.template, self.shape, self.parts, self.seen = template, shape, parts, seen
        self.film: Film = template.film
        self.device = device
        self.draw = template.drawn(seen.scaled, fields)
        self.order = self._ordered()

    def _ordered(self) -> FilmOrder:
        template = self.template
        if not (self.film.layers or self.film.texts or self.film.moves or self._cards):
            return FilmOrder(template.arrangement, {})
        problems: list[str] = []
        written: tuple[Text | Code, ...] = (*template.texts, *template.codes)
        order = order_film(
            template.layers, template.slots, written, self.film, self.shape.name, problems
        )
        if order is None:  # pragma: no cover - the loader has ordered it before
            raise ValueError("; ".join(problems))
        return order

    @property
    def _cards(self) -> bool:
        return any(c.show is not None for c in (self.film.opening, self.film.closing))

    def _shown(self, item: Item) -> Shown:
        """In which parts of the film an item is seen."""
        film = self.film
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
            m for m in self.film.moves if m.of in names and m.only in (None, self.shape.name)
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
        motion = Motion(own, shown, self.parts)
        seen, device = self.seen, self.device
        if isinstance(item, FilmLayer):
            if item.file in self.film.stills:
                pixels = pixels_enc(self.film.stills[item.file].pixels())
                return StillLayer(motion, seen, item, pixels, device)
            facts = self.film.clips[item.file]
            reader = ClipReader(self.film.paths[item.file], item.file, facts)
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
            nodes = [plain(n) for n in nodes]
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
        return [n for item in items for n in nodes_of(item, self.draw, self.seen.canvas)]

    def segments(self, items: Sequence[Item], label: str) -> list[Segment]:
        """A run's layers: those that move alone, those that stand still together."""
        out: list[Segment] = []
        group: list[Item] = []
        shown: Shown = (True, True, True)

        def close() -> None:
            if group:
                key = f"film {self.shape.name} {label} {len(out)}"
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
        seen = self.seen
        if seen.fills and seen.covered:
            return None
        color = self.film.view(self.shape.name).sides
        if color is not None:
            return sides.plain(color, seen.size)
        high, wide = seen.canvas
        small = (_SMALL, max(2, round(wide * _SMALL / high)))
        items = [i for i in self.template.arrangement.below if not has_text(i)]
        flat = flatten(self._nodes(items), seen.canvas, small)
        blurred = sides.blurred(on_paper(flat), seen.size)
        return blurred if seen.fills else sides.shaded(blurred, seen.area)


def plain(node: Node) -> Node:
    """A node without its mode and opacity, which its element has."""
    if isinstance(node, Ink):
        return node
    return replace(node, mode=Mode.NORMAL, opacity=1.0)


class Design:
    """What a film shows around its subject, and where the subject stands.

    Attributes:
        size: (H, W) of its pictures.
        length_s: of the whole film: card, take, card.
        sound: what is heard beside the take's own sound.
        notes: what a person should know, a sentence each.
    """

    def __init__(
        self,
        template: Template,
        shape: Shape,
        fields: Mapping[str, str],
        take_s: float,
        device: torch.device | str = "cpu",
    ) -> None:
        """Make ready; what stands still is flattened when it is first shown.

        Args:
            template, shape, fields, take_s, device: as in `design`.
        """
        film = template.film
        self._template, self._shape = template, shape
        self._seen = look(template, shape)
        self._parts = Parts.of(film.opening, film.closing, take_s)
        self._device = torch.device(device)
        self._fields = dict(fields)
        self.size, self.length_s = shape.size, self._parts.length_s
        self.sound = sound_plan(film, self._parts)
        self.notes = _notes(template, fields)
        self._runs: tuple[FilmRun, ...] = ()
        self._order: tuple[int, ...] = template.arrangement.order
        self._last: tuple[Hashable, Scene] | None = None
        self._each: list[tuple[Hashable, object]] = []

    def _made(self) -> tuple[FilmRun, ...]:
        if self._runs:
            return self._runs
        seen, parts = self._seen, self._parts
        maker = _Maker(self._template, self._shape, self._fields, parts, seen, self._device)
        made = maker.sides()
        paper = sides.paper(seen.size, seen.sheet, made).to(self._device)
        order = maker.order.arrangement
        top = None
        if made is not None and not seen.fills:
            top = sides.around(made.to(self._device), seen.area)
        runs = [("below", order.below)]
        runs += [(f"between {i}", run) for i, run in enumerate(order.between)]
        runs.append(("above", order.above))
        store = self._template.parts
        self._runs = tuple(
            FilmRun(
                maker.segments(items, label),
                seen,
                parts,
                store,
                self._device,
                paper if label == "below" else None,
                top if label == "above" else None,
            )
            for label, items in runs
        )
        self._each = [(None, None)] * len(self._runs)
        return self._runs

    def close(self) -> None:
        """Let go of the clips; they are opened again when they are asked for."""
        for run in self._runs:
            for segment in run.segments:
                if isinstance(segment, Element):
                    for reader in segment.readers:
                        reader.close()

    def take_at(self, t_s: float) -> float | None:
        """The second of the take that is shown at a second of the film; None: a card alone."""
        return self._parts.take_at(t_s)

    def subject_gain(self, t_s: float) -> float:
        """How much of the subject is seen, 0 to 1: it fades where card and take meet."""
        return self._parts.share(t_s, (False, True, False))

    def scene(self, t_s: float) -> Scene:
        """What the subject stands in at a second of the film.

        Returns:
            The same object for as long as nothing changes; of another one, whatever did not change
            are the same tensors.

        Raises:
            UserError: a clip cannot be read any more.
        """
        runs = self._made()
        states = [run.state(t_s) for run in runs]
        key = tuple(states)
        if self._last is not None and self._last[0] == key:
            return self._last[1]
        for i, (run, state) in enumerate(zip(runs, states, strict=True)):
            if self._each[i][1] is None or self._each[i][0] != state:
                self._each[i] = state, run.steps(t_s) if i else run.ground(t_s)
        below, *above = (made for _, made in self._each)
        scene = Scene(below, above[-1], tuple(above[:-1]), self._order)  # type: ignore[arg-type]
        self._last = key, scene
        return scene

    def stands(self) -> tuple[Stand, ...]:
        """The slots in the film's pictures."""
        seen = self._seen
        slots = self._template.film.view(self._shape.name).slots or self._template.slots
        whole = (0.0, 0.0, float(seen.canvas[1]), float(seen.canvas[0]))
        # A nudge is in per cent of the still's picture, wherever that lies in the film.
        return tuple(
            Stand(slot, seen.box(slot.box or whole), seen.scaled, seen.scale[0]) for slot in slots
        )

    def placings(
        self, frame_size: tuple[int, int], mirror: bool, nudge: Nudge
    ) -> list[Placing | None]:
        """Where the take's frames lie in each slot, or what tells it from the figure in them.

        Args:
            frame_size: (H, W) of the upright frames.
            mirror: flip them left to right, beside what the slot says.
            nudge: moves the subject from there.
        """
        out: list[Placing | None] = []
        for stand in self.stands():
            if stand.slot.wants_figure:
                out.append(lambda figure, s=stand: s.place(frame_size, mirror, figure, nudge))
            else:
                out.append(stand.place(frame_size, mirror, None, nudge))
        return out


def _notes(template: Template, fields: Mapping[str, str]) -> tuple[str, ...]:
    out = list(template.scene_warnings(fields))
    if fields:
        out += [
            f'the roster has no column "{c}", which films of template "{template.name}" write'
            for c in template.film.columns
            if c not in fields and c not in template.columns
        ]
    for text in template.film.texts:
        setting = template.setting(text.text, fields)
        out += setting.warnings if setting is not None else ()
    return tuple(dict.fromkeys(out))


def design(
    template: Template,
    shape: Shape,
    fields: Mapping[str, str],
    take_s: float,
    device: torch.device | str = "cpu",
) -> Design:
    """A template made ready for one film.

    Args:
        template: with or without a film part.
        shape: of the film.
        fields: roster columns of the person, by name; a column that is missing is left empty.
        take_s: length of the take.
        device: where the tensors shall lie.
    """
    return Design(template, shape, fields, take_s, device)
