"""A template as the design of one film: what is seen around the subject at each time.

The subject lies in it as in a still; layers that move, clips and cards change the scene around it.
At rest the scene is the still's, at the scale of the film.
"""

from __future__ import annotations

from collections.abc import Hashable, Mapping

import torch

from models import sides
from models.composite import Scene
from models.flatten import bare_share, flatten
from models.placing import Placing
from stream.film.elements import Element
from stream.film.poses import Parts
from stream.film.runs import FilmRun
from stream.film.segments import Segments
from stream.film.sound_plan import sound_plan
from stream.film.view import look
from stream.shape import Shape
from stream.template.nudge import Nudge
from stream.template.standing import Stand
from stream.template.template import Template

_WHOLE = 0.99
"""Opacity from which nobody sees that a layer is still coming."""


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
        segments = Segments(self._template, self._shape, self._fields, parts, seen, self._device)
        made = segments.sides()
        paper = sides.paper(seen.size, seen.sheet, made).to(self._device)
        order = segments.order.arrangement
        top = None
        if made is not None and not seen.fills:
            top = sides.around(made.to(self._device), seen.area)
        runs = [("below", order.below)]
        runs += [(f"between {i}", run) for i, run in enumerate(order.between)]
        runs.append(("above", order.above))
        store = self._template.parts
        self._runs = tuple(
            FilmRun(
                segments.of_run(items, label),
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
        parts = self._parts
        # A part that the film has not asks for no fade.
        return parts.share(t_s, (parts.opening_s <= 0, True, parts.closing_s <= 0))

    def standing(self, t_s: float) -> int:
        """How many of the layers that come and go are wholly there at a second of the film."""
        elements = (
            segment.motion
            for run in self._made()
            for segment in run.segments
            if isinstance(segment, Element)
        )
        return sum(motion.pose(t_s).opacity > _WHOLE for motion in elements)

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

    def bare(self, t_s: float) -> float:
        """The share of what is seen of the canvas on which no layer lies at a second of the film.

        Raises:
            UserError: a clip cannot be read any more.
        """
        seen = self._seen
        nodes = [node for run in self._made() for node in run.nodes(t_s)]
        top, left, bottom, right = seen.area
        window = top - seen.top, left - seen.left, bottom - seen.top, right - seen.left
        return bare_share(flatten(nodes, seen.canvas, seen.scaled), window)

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
