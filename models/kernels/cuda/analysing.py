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
        corrects: the fields say what the edge network adds to alpha.
    """

    capturable: bool
    corrects: bool

    @property
    def variant(self) -> bool:
        """Whether frames are analysed with a plate: then other work is launched than without."""

    def without_plate(self, without: bool) -> None:
        """Leave the plate out for now, as for a frame that it does not fit."""

    def prepare(self, planes: Planes, encoding: Encoding, quarter_turns: int) -> object:
        """Make what frames of a kind need, before each of them; nothing, as a rule.

        Args:
            planes: of the kind; not looked at, and not necessarily on the card.
            encoding, quarter_turns: as in `analyse`.

        Returns:
            What is to be kept as long as a graph of such frames.

        Raises:
            ShapeError: the plate is of another size than they.
        """

    def discard(self) -> None:
        """Begin anew: a frame broke off, and may have left half of its work behind."""

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
    variant = False

    def __init__(self, analysis: Analysis, network: Estimator) -> None:
        self._analysis, self._network = analysis, network
        self.corrects = analysis.corrector is not None and analysis.corrector.refiner is not None

    def without_plate(self, without: bool) -> None:
        """Nothing: the reference leaves out a plate that does not fit by itself."""

    def prepare(self, planes: Planes, encoding: Encoding, quarter_turns: int) -> None:
        """Nothing: it is made anew for each frame."""

    def discard(self) -> None:
        """Nothing, likewise."""

    def analyse(
        self, planes: Planes, encoding: Encoding, quarter_turns: int, fields: Fields
    ) -> None:
        """As `Analyser.analyse`."""
        fields.fill(self._analysis(Upright(planes, encoding, quarter_turns)), self._network)
