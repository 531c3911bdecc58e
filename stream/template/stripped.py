"""A template made ready for one picture, strip by strip, with one person's words on it."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import torch

from models.composite import Overlay, Scene
from models.flatten import Node
from models.strips import strips
from stream.template import scene as scenes
from stream.template.arrange import Arrangement
from stream.template.codes import Code
from stream.template.kept import Held, Parts
from stream.template.wording import Text

Step = Callable[[slice], Overlay]
"""Rows of one more step of a scene."""


class Stripped:
    """Gives rows of a picture's scene; words are drawn once for all of them."""

    def __init__(
        self,
        arrangement: Arrangement,
        canvas: tuple[int, int],
        size: tuple[int, int],
        draw: scenes.Draw,
        kept: Parts,
        device: str | torch.device = "cpu",
    ) -> None:
        """Prepare; nothing is made yet.

        Args:
            arrangement, canvas, size, draw, kept: as in `make_scene`.
            device: where the tensors shall lie.
        """
        self.size, self.order = size, arrangement.order
        self.device = torch.device(device)
        self._arrangement, self._canvas = arrangement, canvas
        self._draw, self._kept = draw, Held(kept)
        self._drawn: dict[int, Sequence[Node]] = {}
        self._steps: list[tuple[int, Step]] = []

    def prepare(self) -> None:
        """Make the parts of a picture of several strips now, while there is room for them whole."""
        if len(strips(self.size)) > 1:
            self.rows(slice(0, 1))

    def topped(self, slot: int, step: Step) -> None:
        """Add one more step, directly above the subject of a slot."""
        self._steps.append((slot, step))

    def rows(self, rows: slice) -> Scene:
        """Rows of the picture, as `models.strips.Strips` wants them."""
        whole = rows == slice(0, self.size[0])
        made = scenes.make_scene(
            self._arrangement,
            self._canvas,
            self.size,
            self._ink,
            self._kept,
            None if whole else rows,
        ).to(self.device)
        for slot, step in self._steps:
            made = made.topped(slot, step(rows).to(self.device))
        return made

    def _ink(self, item: Text | Code) -> Sequence[Node]:
        if id(item) not in self._drawn:
            self._drawn[id(item)] = self._draw(item)
        return self._drawn[id(item)]
