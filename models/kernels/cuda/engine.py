"""Live frames through a CUDA device: uploaded, keyed, laid and downloaded, two on their way.

Uploads and downloads have streams of their own, so that they run beside the kernels of another
frame. What a frame launches is captured once as a CUDA graph and replayed: for each pair of
sizes, encoding, scene and set of slots, not for each placement.
"""

from __future__ import annotations

import weakref
from collections import OrderedDict
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import replace

import torch
from torch import Tensor

from models.color import Encoding, Matrix, Planes
from models.composite import Scene
from models.cut import Composite
from models.errors import ShapeError
from models.estimator import Estimator
from models.figure import Figure
from models.kernels.cuda.analysing import Analyser
from models.kernels.cuda.fields import FITS, FOUND
from models.kernels.cuda.lane import Form, Lane
from models.kernels.cuda.layers import Layers, layers_of
from models.kernels.cuda.network import weights_of
from models.kernels.cuda.places import Place, place_of
from models.kernels.cuda.recording import Recording, Slots
from models.resample import Placement
from models.settings import KeySettings

_LANES = 2
_MOST_GRAPHS = 16
_MOST_SCENES = 4
_MOST_FORMS = 2

Placing = Placement | Callable[[Figure | None], Placement]
_Kind = tuple[Form, Encoding, int, int]
"""Form of the planes, encoding, quarter turns, and slots of the scene."""
_Name = tuple[_Kind, int, int, Slots, bool]
"""A kind, number of the lane, which layers, slots that are filled, and whether with a plate."""


class Pending:
    """A picture on its way; see `Engine.submit`."""

    def __init__(
        self,
        picture: Tensor,
        alpha: Tensor,
        told: Tensor,
        anybody: bool,
        done: torch.cuda.Event | None,
    ) -> None:
        self._made, self._told, self._anybody, self._done = (picture, alpha), told, anybody, done
        self._composite: Composite | None = None

    def wait(self) -> Composite:
        """The picture, as soon as it is there."""
        if self._composite is None:
            if self._done is not None:
                self._done.synchronize()
            found, fits = bool(self._told[FOUND] > 0), float(self._told[FITS])
            if not self._anybody:
                found, fits = True, -1.0
            self._composite = Composite(*self._made, found, None if fits < 0 else fits > 0)
        return self._composite


class Engine:
    """Keys live frames and lays them into scenes on one CUDA device.

    Args:
        network: the live network, on the device.
        analyser: fills the fields of each frame.
        settings: what a person set.
        host: give pictures in host memory, pinned; else they lie on the card, in memory that the
            next frame but one writes again.
        alpha: make each picture's alpha too; without it `models.cut.Composite.alpha` is empty.
    """

    def __init__(
        self,
        network: Estimator,
        analyser: Analyser,
        settings: KeySettings | None = None,
        host: bool = True,
        alpha: bool = False,
    ) -> None:
        self._device = network.first.weight.device
        self._weights = weights_of(network)
        self._analyser, self._settings = analyser, settings or KeySettings()
        self._host, self._alpha = host, alpha
        self._cuda = self._device.type == "cuda"
        self._scenes: OrderedDict[int, tuple[weakref.ref[Scene], Layers | None]] = OrderedDict()
        self._lanes: OrderedDict[_Kind, list[Lane]] = OrderedDict()
        self._graphs: OrderedDict[_Name, Recording] = OrderedDict()
        self._count = 0
        if self._cuda:
            made = [torch.cuda.Stream(self._device) for _ in range(3)]  # type: ignore[no-untyped-call]
            self._up, self._work, self._down = made

    @property
    def covers(self) -> bool:
        """Whether the kernels do all that was set; else the reference has to."""
        s = self._settings
        plain = s.choke == 0 and s.shadow == "remove" and s.light_wrap == 0
        return plain and self._weights is not None

    def composite(
        self,
        planes: Planes,
        encoding: Encoding,
        quarter_turns: int,
        scene: Scene,
        placings: Placing | Sequence[Placing | None],
    ) -> Composite | None:
        """Lay the subject of a frame into a template, and wait for the picture.

        Args:
            planes, encoding, quarter_turns: as in `models.keyer.Keyer.cut`; on the card or not,
                pinned or not.
            scene: the template at the picture's size, on any device.
            placings: where the upright frame lies, for the first slot or one for each, None where
                it stays empty.

        Returns:
            None where the kernels do not cover what is wanted: the reference serves then.

        Raises:
            ShapeError: as in `models.keyer.Keyer.composite`.
        """
        pending = self.submit(planes, encoding, quarter_turns, scene, placings)
        if pending is None:
            return None
        done = pending.wait()
        if done.plate_fits is not False or not self._analyser.variant:
            return done
        self._analyser.without_plate(True)
        try:
            again = self.submit(planes, encoding, quarter_turns, scene, placings)
        finally:
            self._analyser.without_plate(False)
        return None if again is None else replace(again.wait(), plate_fits=False)

    def submit(
        self,
        planes: Planes,
        encoding: Encoding,
        quarter_turns: int,
        scene: Scene,
        placings: Placing | Sequence[Placing | None],
    ) -> Pending | None:
        """Send a frame on its way, without waiting for its picture.

        Planes that are not pinned are copied before this returns; those that are, or that lie on
        the card, must stay as they are until the picture is there.

        Args:
            planes, encoding, quarter_turns, scene, placings: as in `composite`.

        Returns:
            None as in `composite`.

        Raises:
            ShapeError: as in `composite`.
        """
        wanted = list(placings) if isinstance(placings, Sequence) else [placings]
        if len(wanted) > len(scene.order):
            raise ShapeError(
                f"lay: got {len(wanted)} subjects for {len(scene.order)} slots; need at most as "
                "many"
            )
        form = Form.of(planes)
        if not self.covers or not _readable(form, encoding):
            return None
        kind = form, encoding, quarter_turns % 4, len(scene.order)
        if not self._cuda:
            return self._submit(planes, kind, scene, wanted)
        # What the caller's stream made comes first: planes, a scene, a plate. Who there still
        # reads an earlier picture keeps it until that is done.
        current = torch.cuda.current_stream(self._device)
        for stream in (self._up, self._work, self._down):
            stream.wait_stream(current)
        # All that is kept is made and given up in the order of this stream, so that nothing is
        # written while, or after, a frame before works in it.
        with torch.cuda.stream(self._work):
            return self._submit(planes, kind, scene, wanted)

    def _submit(
        self, planes: Planes, kind: _Kind, scene: Scene, wanted: Sequence[Placing | None]
    ) -> Pending | None:
        """As `submit`, on the stream of the kernels."""
        _, encoding, turns, _ = kind
        layers, weights = self._layers(scene), self._weights
        if layers is None or weights is None:
            return None
        lane, number = self._lane(kind)
        places = _places(lane, scene, layers, wanted)
        if places is None:
            return None
        # Also where there is a graph: the plate may be another.
        kept = self._analyser.prepare(planes, encoding, turns)
        slots: Slots = tuple((level, place.way) for level, place in places)
        name = kind, number, id(layers), slots, self._analyser.variant
        way = self._graphs.get(name)
        if way is None:
            way = Recording(lane, encoding, turns, weights, self._settings, layers, slots,
                            self._alpha, self._analyser, kept)  # fmt: skip
            self._graphs[name] = way
            if len(self._graphs) > _MOST_GRAPHS:
                self._drop([next(iter(self._graphs))])
        self._graphs.move_to_end(name)
        self._count += 1
        anybody = any(p is not None for p in wanted)
        try:
            return self._sent(lane, way, planes, [place for _, place in places], anybody)
        except BaseException:
            self._abandon()
            raise

    def _sent(
        self, lane: Lane, way: Recording, planes: Planes, places: Sequence[Place], anybody: bool
    ) -> Pending:
        """Upload, compute and download a frame."""
        if lane.settle is not None:
            # The frame before in this lane is done with its planes, its numbers, what it told.
            lane.settle()
        for place, pinned in zip(places, lane.pinned, strict=False):
            place.write(pinned)
        empty = torch.empty(1, 1, 0, 0)
        if not self._cuda:
            lane.upload(planes)
            lane.numbers.copy_(lane.pinned)
            way.run()
            lane.told.copy_(lane.fields.told)
            cover = empty if way.alpha is None else way.alpha[None, None].clone()
            return Pending(way.picture.clone(), cover, lane.told.clone(), anybody, None)
        up, work, down = self._up, self._work, self._down
        lane.uploaded = lane.uploaded or _event()
        lane.computed = lane.computed or _event()
        lane.downloaded = lane.downloaded or _event()
        with torch.cuda.stream(up):
            # Not in the graph: kernels alone are launched faster.
            lane.upload(planes)
            lane.numbers.copy_(lane.pinned, non_blocking=True)
            lane.uploaded.record(up)
        work.wait_event(lane.uploaded)
        way.run()
        lane.computed.record(work)
        picture, cover = way.picture, empty
        with torch.cuda.stream(down):
            down.wait_event(lane.computed)
            lane.told.copy_(lane.fields.told, non_blocking=True)
            if self._host:
                picture = torch.empty(picture.shape, dtype=torch.uint8, pin_memory=True)
                picture.copy_(way.picture, non_blocking=True)
            if way.alpha is not None:
                cover = way.alpha[None, None].clone()
            lane.downloaded.record(down)
        pending = Pending(picture, cover, lane.told, anybody, lane.downloaded)
        lane.settle = pending.wait
        return pending

    def _lane(self, kind: _Kind) -> tuple[Lane, int]:
        """The lane for the next frame, and its number."""
        form, _, turns, slots = kind
        if kind not in self._lanes:
            self._lanes[kind] = [Lane.of(form, turns, slots, self._device) for _ in range(_LANES)]
            if self._cuda:
                # They are filled with zeros first.
                self._up.wait_stream(self._work)
            if len(self._lanes) > _MOST_FORMS:
                old = next(iter(self._lanes))
                self._drop([n for n in self._graphs if n[0] == old])
                del self._lanes[old]
        self._lanes.move_to_end(kind)
        number = self._count % _LANES
        return self._lanes[kind][number], number

    def _layers(self, scene: Scene) -> Layers | None:
        """A scene on the card: put there once, and dropped with the scene."""
        kept = self._scenes.get(id(scene))
        if kept is None or kept[0]() is not scene:
            kept = weakref.ref(scene), layers_of(scene, self._device)
            if self._cuda:
                torch.cuda.current_stream(self._device).synchronize()
            self._scenes[id(scene)] = kept
        self._scenes.move_to_end(id(scene))
        gone = [i for i, (seen, _) in self._scenes.items() if seen() is None]
        if len(self._scenes) - len(gone) > _MOST_SCENES:
            gone.append(next(iter(self._scenes)))
        for i in gone:
            layers = self._scenes.pop(i)[1]
            self._drop([n for n in self._graphs if n[2] == id(layers)])
        return kept[1]

    def _drop(self, names: Sequence[_Name]) -> None:
        """Give graphs up, with the pictures that only they make."""
        if self._cuda:
            # A picture in them may be on its way down; what takes its memory waits for that.
            self._work.wait_stream(self._down)
        for name in names:
            del self._graphs[name]

    def _abandon(self) -> None:
        """Begin anew after a frame that broke off: half of its work may be under way or missing."""
        if self._cuda:
            # What broke it may be told once more here; the caller hears of it anyway.
            with suppress(RuntimeError):
                torch.cuda.synchronize(self._device)
        self._graphs.clear()
        self._lanes.clear()
        self._analyser.discard()


def _places(
    lane: Lane, scene: Scene, layers: Layers, wanted: Sequence[Placing | None]
) -> list[tuple[int, Place]] | None:
    """Level and place of each subject that shows; None where the kernels cannot lay them."""
    places: list[tuple[int, Place]] = []
    for level, slot in enumerate(scene.order):
        placing = wanted[slot] if slot < len(wanted) else None
        if placing is None:
            continue
        if not isinstance(placing, Placement):
            return None
        place = place_of(lane.fields, placing, layers.size)
        if place is None:
            continue
        # A subject over another would have to know the picture with that one in it.
        if place.thin or any(place.overlaps(other) for _, other in places):
            return None
        places.append((level, place))
    return places


def _event() -> torch.cuda.Event:
    return torch.cuda.Event()  # type: ignore[no-untyped-call]


def _readable(form: Form, encoding: Encoding) -> bool:
    """Whether the planes belong together as the kernels read them; else the reference says why."""
    first, second, third = form.shapes
    if second != third or form.kinds[1] != form.kinds[2] or 0 in first:
        return False
    if encoding.matrix is Matrix.RGB:
        return first == second
    return all(have in (want, (want + 1) // 2) for have, want in zip(second, first, strict=True))
