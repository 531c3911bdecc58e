"""What an engine asks of an analysis, and the reference analysis as one."""

from __future__ import annotations

from typing import Protocol

from models.analysis import Analysis
from models.color import Encoding, Planes
from models.estimator import Estimator
from models.kernels.cuda.fields import Fields
from models.upright import Upright


class Analyser(Protocol):
    """Fills the fields of a frame from its planes.

    Attributes:
        capturable: what `analyse` launches may become part of a CUDA graph that is replayed for
            later frames at the same addresses; it looks at nothing on the CPU.
    """

    capturable: bool

    def analyse(
        self, planes: Planes, encoding: Encoding, quarter_turns: int, fields: Fields
    ) -> None:
        """Launch, on the current stream, the work that fills the fields.

        Args:
            planes: on the card; the same tensors for every frame of a lane.
            encoding: how to read them.
            quarter_turns: clockwise turns that make the frame upright.
            fields: written.
        """


class ReferenceAnalyser:
    """The analysis of `models.analysis` in the live grade, launched anew for each frame.

    Args:
        analysis: of the frames' source; keeps its plate.
        network: the live network, on the card.
    """

    capturable = False

    def __init__(self, analysis: Analysis, network: Estimator) -> None:
        self._analysis, self._network = analysis, network

    def analyse(
        self, planes: Planes, encoding: Encoding, quarter_turns: int, fields: Fields
    ) -> None:
        """As `Analyser.analyse`."""
        fields.fill(self._analysis(Upright(planes, encoding, quarter_turns)), self._network)
