"""What one frame took through an engine, kept for the next, which as a rule is like it."""

from __future__ import annotations

import weakref
from collections.abc import Callable, Sequence

from models.color import Encoding, Planes
from models.composite import Scene
from models.figure import Figure
from models.kernels.cuda.lane import Form, Lane
from models.kernels.cuda.layers import Layers
from models.kernels.cuda.places import Place, place_of
from models.kernels.cuda.recording import Recording, Slots
from models.resample import Placement

Placing = Placement | Callable[[Figure | None], Placement]
Kind = tuple[Form, Encoding, int, int]
"""Form of the planes, encoding, quarter turns, and slots of the scene."""


class Route:
    """The way of frames of one kind into one scene.

    Args:
        kind: of the frames.
        scene: the template; not kept alive.
        layers: it, on the card.
        lanes: where such frames live.

    Attributes:
        kind, layers, lanes: as above.
        packed: bytes of where the last frame was laid, for each slot that is filled.
        slots: that are filled.
        anybody: whether somebody was to be laid.
    """

    def __init__(
        self, kind: Kind, scene: weakref.ref[Scene], layers: Layers, lanes: Sequence[Lane]
    ) -> None:
        self.kind, self.layers, self.lanes = kind, layers, lanes
        self.packed, self.anybody = b"", False
        self.slots: Slots = ()
        self._scene = scene
        self._wanted: list[Placing | None] | None = None
        self._variant = False
        self._ways: list[Recording | None] = [None] * len(lanes)

    def serves(self, planes: Planes, encoding: Encoding, quarter_turns: int, scene: Scene) -> bool:
        """Whether such a frame goes the same way."""
        form, read, turns, _ = self.kind
        return (
            self._scene() is scene
            and quarter_turns % 4 == turns
            and encoding == read
            and form.fits(planes)
        )

    def lay(self, wanted: list[Placing | None]) -> bool:
        """Note where a frame is to lie; what was wanted before costs nothing.

        Args:
            wanted: for each slot of the template; the list is kept.

        Returns:
            False where the kernels cannot lay it; all stays as it was then.
        """
        if wanted == self._wanted:
            return True
        places = self._places(wanted)
        if places is None:
            return False
        slots = tuple((level, place.way) for level, place in places)
        if slots != self.slots:
            self.slots, self._ways = slots, [None] * len(self.lanes)
        self.packed = b"".join(place.packed() for _, place in places)
        self.anybody = any(p is not None for p in wanted)
        self._wanted = wanted
        return True

    def way(self, number: int, variant: bool) -> Recording | None:
        """What such frames launch in a lane; None: it has to be looked for, and told by `take`.

        Args:
            number: of the lane.
            variant: as in `models.kernels.cuda.analysing.Analyser`.
        """
        if variant != self._variant:
            self._variant, self._ways = variant, [None] * len(self.lanes)
        return self._ways[number]

    def take(self, number: int, way: Recording) -> None:
        """Keep what such frames launch in a lane, for the slots and the variant of now."""
        self._ways[number] = way

    def _places(self, wanted: Sequence[Placing | None]) -> list[tuple[int, Place]] | None:
        """Level and place of each subject that shows; None where the kernels cannot lay them."""
        places: list[tuple[int, Place]] = []
        for level, slot in enumerate(self.layers.order):
            placing = wanted[slot] if slot < len(wanted) else None
            if placing is None:
                continue
            if not isinstance(placing, Placement):
                return None
            place = place_of(self.lanes[0].fields, placing, self.layers.size)
            if place is None:
                continue
            # A subject over another would have to know the picture with that one in it.
            if place.thin or any(place.overlaps(other) for _, other in places):
                return None
            places.append((level, place))
        return places
