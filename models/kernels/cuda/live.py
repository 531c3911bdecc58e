"""The live analysis in Triton as an engine asks for it: for a kind of planes, with a plate."""

from __future__ import annotations

from collections import OrderedDict
from weakref import WeakValueDictionary

from models.color import Encoding, Planes
from models.estimator import Estimator
from models.kernels.cuda.analysis import LiveAnalysis
from models.kernels.cuda.fields import Fields
from models.refine import Refiner
from models.settings import KeySettings
from models.upright import Upright

MOST_KINDS = 2
"""Kinds of frames whose screen is remembered when no picture is made of them."""
_Kind = tuple[tuple[int, int], tuple[int, int], Encoding, int]


class LiveAnalyser:
    """Analyses frames of one source on a card; see `models.kernels.cuda.analysing.Analyser`.

    Args:
        settings: what a person set.
        network: the live network, on the card.
        refiner: the edge network, there too; None: nothing is corrected.
    """

    capturable = True

    def __init__(
        self, settings: KeySettings, network: Estimator, refiner: Refiner | None = None
    ) -> None:
        self._settings, self._network, self._refiner = settings, network, refiner
        self.corrects = refiner is not None
        self._plate: Upright | None = None
        self._without = False
        self._made: WeakValueDictionary[_Kind, LiveAnalysis] = WeakValueDictionary()
        # A scene that goes takes its graphs along, but not what the clip showed of its screen.
        self._last: OrderedDict[_Kind, LiveAnalysis] = OrderedDict()
        self._newest: tuple[_Kind, LiveAnalysis] | None = None

    @property
    def variant(self) -> bool:
        """Whether frames are analysed with a plate."""
        return self._plate is not None and not self._without

    def set_plate(self, plate: Upright | None) -> None:
        """Keep the picture of the bare screen, or drop it; it is read with the next frame.

        Args:
            plate: on the card.
        """
        self._plate = plate
        for made in self._made.values():
            made.forget_plate()

    def without_plate(self, without: bool) -> None:
        """Leave the plate out for now, as for a frame that it does not fit."""
        self._without = without

    def prepare(self, planes: Planes, encoding: Encoding, quarter_turns: int) -> LiveAnalysis:
        """As `Analyser.prepare`; it may wait for the card, so not while capturing.

        Returns:
            What graphs of such frames work in: whoever captures one keeps it.

        Raises:
            ShapeError: the plate is of another size.
        """
        kind = _kind(planes, encoding, quarter_turns)
        if self._newest is not None and self._newest[0] == kind:
            made = self._newest[1]
            if self._plate is None or self._without or made.plate is self._plate:
                return made
        found = self._made.get(kind)
        if found is None:
            size, chroma = kind[0], kind[1]
            found = LiveAnalysis(
                size, chroma, encoding, quarter_turns, self._settings, self._network, self._refiner
            )
            self._made[kind] = found
        if self._plate is not None and self.variant and found.plate is not self._plate:
            found.set_plate(self._plate)
        self._last[kind] = found
        self._last.move_to_end(kind)
        if len(self._last) > MOST_KINDS:
            self._last.popitem(last=False)
        self._newest = kind, found
        return found

    def discard(self) -> None:
        """As `Analyser.discard`: the clip's screen is forgotten too, it may be half written."""
        self._made.clear()
        self._last.clear()
        self._newest = None

    def analyse(
        self, planes: Planes, encoding: Encoding, quarter_turns: int, fields: Fields
    ) -> None:
        """As `Analyser.analyse`, for planes of a kind that was prepared."""
        self._made[_kind(planes, encoding, quarter_turns)](planes, fields, self.variant)


def _kind(planes: Planes, encoding: Encoding, quarter_turns: int) -> _Kind:
    (h, w), (ch, cw) = planes[0].shape, planes[1].shape
    return (h, w), (ch, cw), encoding, quarter_turns % 4
