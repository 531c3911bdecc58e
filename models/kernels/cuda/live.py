"""The live analysis in Triton as an engine asks for it: for a kind of planes, with a plate."""

from __future__ import annotations

from weakref import WeakValueDictionary

from models.color import Encoding, Planes
from models.estimator import Estimator
from models.kernels.cuda.analysis import LiveAnalysis
from models.kernels.cuda.fields import Fields
from models.settings import KeySettings
from models.upright import Upright

_Kind = tuple[tuple[int, int], tuple[int, int], Encoding, int]


class LiveAnalyser:
    """Analyses frames of one source on a card; see `models.kernels.cuda.analysing.Analyser`.

    Args:
        settings: what a person set.
        network: the live network, on the card.
    """

    capturable = True

    def __init__(self, settings: KeySettings, network: Estimator) -> None:
        self._settings, self._network = settings, network
        self._plate: Upright | None = None
        self._without = False
        self._made: WeakValueDictionary[_Kind, LiveAnalysis] = WeakValueDictionary()

    @property
    def variant(self) -> bool:
        """Whether frames are analysed with a plate."""
        return self._plate is not None and not self._without

    def set_plate(self, plate: Upright | None) -> None:
        """Keep the picture of the bare screen, or drop it.

        Args:
            plate: on the card.
        """
        self._plate = plate
        if plate is not None:
            for made in self._made.values():
                if made.size == plate.size:
                    made.set_plate(plate)

    def without_plate(self, without: bool) -> None:
        """Leave the plate out for now, as for a frame that it does not fit."""
        self._without = without

    def prepare(self, planes: Planes, encoding: Encoding, quarter_turns: int) -> LiveAnalysis:
        """Make what frames of a kind need; it may wait for the card, so not while capturing.

        Args:
            planes, encoding, quarter_turns: as in `analyse`.

        Returns:
            What graphs of such frames work in: whoever captures one keeps it.

        Raises:
            ShapeError: the plate is of another size.
        """
        kind = _kind(planes, encoding, quarter_turns)
        made = self._made.get(kind)
        if made is None:
            size, chroma = kind[0], kind[1]
            made = LiveAnalysis(
                size, chroma, encoding, quarter_turns, self._settings, self._network
            )
            if self._plate is not None:
                made.set_plate(self._plate)
            self._made[kind] = made
        return made

    def analyse(
        self, planes: Planes, encoding: Encoding, quarter_turns: int, fields: Fields
    ) -> None:
        """As `Analyser.analyse`, for planes of a kind that was prepared."""
        self._made[_kind(planes, encoding, quarter_turns)](planes, fields, self.variant)


def _kind(planes: Planes, encoding: Encoding, quarter_turns: int) -> _Kind:
    (h, w), (ch, cw) = planes[0].shape, planes[1].shape
    return (h, w), (ch, cw), encoding, quarter_turns % 4
