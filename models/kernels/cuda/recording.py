"""What frames of one kind launch on a card: plainly at first, then as a CUDA graph."""

from __future__ import annotations

from contextlib import AbstractContextManager

import torch

from models.color import Encoding
from models.kernels.cuda.analysing import Analyser
from models.kernels.cuda.core import Core
from models.kernels.cuda.exchange import exchange, fetch
from models.kernels.cuda.lane import Lane
from models.kernels.cuda.layers import Layers
from models.kernels.cuda.network import Weights
from models.kernels.cuda.places import Way
from models.replay import CAPTURING
from models.settings import KeySettings

Slots = tuple[tuple[int, Way], ...]
"""The level of each subject, and how its frame comes into the picture."""


class Recording:
    """What frames of one kind launch: plainly at first, then as a graph.

    Args:
        lane: where they live.
        encoding, quarter_turns: how their planes are read.
        weights: of the live network.
        settings: what a person set.
        layers: the template.
        slots: that are filled.
        alpha: make the picture's alpha too.
        analyser: fills the fields.
        kept: what it prepared for such frames.
    """

    def __init__(
        self,
        lane: Lane,
        encoding: Encoding,
        quarter_turns: int,
        weights: Weights,
        settings: KeySettings,
        layers: Layers,
        slots: Slots,
        alpha: bool,
        analyser: Analyser,
        kept: object,
    ) -> None:
        planes = lane.form.planes(lane.stored)
        picture = lane.picture(layers.size, alpha)
        self._kept = kept, picture
        self.picture, self.alpha = picture.codes, picture.alpha
        rooms = [
            (level, way, lane.room(i, way, layers.size)) for i, (level, way) in enumerate(slots)
        ]
        core = Core(
            planes, encoding, quarter_turns, lane.fields, weights, settings, analyser.corrects
        )
        fields, numbers, sent, told = lane.fields, lane.numbers, lane.pinned, lane.told
        sources, stored = lane.sources, lane.stored

        # Not by way of self, nor of the lane: whoever drops one of them frees the card's memory.
        def analyse() -> None:
            fetch(sources, stored)
            analyser.analyse(planes, encoding, quarter_turns, fields)

        def draw() -> None:
            exchange(sent, numbers, fields.told, told)
            core(layers, rooms, picture.codes, picture.alpha, picture.held)

        self._steps = (draw,) if not analyser.capturable else (analyse, draw)
        self._before = None if analyser.capturable else analyse
        self._cuda = lane.numbers.is_cuda
        self._graph: torch.cuda.CUDAGraph | None = None

    def run(self) -> None:
        """Launch a frame's work on the current stream."""
        if self._before is not None:
            self._before()
        if self._graph is not None:
            self._graph.replay()
            return
        # The first frame compiles the kernels, which a capture may not.
        for step in self._steps:
            step()
        if self._cuda:
            torch.cuda.current_stream().synchronize()
            graph = torch.cuda.CUDAGraph()
            captured: AbstractContextManager[None] = torch.cuda.graph(
                graph, stream=torch.cuda.current_stream(), capture_error_mode="thread_local"
            )
            with CAPTURING, captured:
                for step in self._steps:
                    step()
            self._graph = graph
