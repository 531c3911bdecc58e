"""Live frames through a CUDA device: uploaded, keyed, laid and downloaded, two on their way.

Uploads and downloads have streams of their own, so that they run beside the kernels of another
frame. What a frame launches is captured once as a CUDA graph and replayed: for each pair of
sizes, encoding, scene and set of slots, not for each placement.
"""

from __future__ import annotations

import weakref
from collections import OrderedDict
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import replace

import torch

from models.color import Encoding, Matrix, Planes
from models.composite import Scene
from models.cut import Composite
from models.errors import ShapeError
from models.estimator import Estimator
from models.kernels.cuda.analysing import Analyser
from models.kernels.cuda.lane import Form, Lane
from models.kernels.cuda.layers import Layers, layers_of
from models.kernels.cuda.network import weights_of
from models.kernels.cuda.pending import Pending
from models.kernels.cuda.recording import Recording, Slots
from models.kernels.cuda.route import Kind, Placing, Route
from models.resample import Placement
from models.settings import KeySettings

_LANES = 2
_MOST_GRAPHS = 16
_MOST_SCENES = 4
_MOST_FORMS = 2

_Name = tuple[Kind, int, int, Slots, bool]
"""A kind, number of the lane, which layers, slots that are filled, and whether with a plate."""


class Engine:
    """Keys live frames and lays them into scenes on one CUDA device.

    Args:
        network: the live network, on the device.
        analyser: fills the fields of each frame.
        settings: what a person set.
        host: give pictures in host memory, pinned; else they lie on the card, in memory that the
            next frame but one writes again; read only: bare tiles are not written again.
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
        self._gone: list[weakref.ref[Scene]] = []
        self._lanes: OrderedDict[Kind, list[Lane]] = OrderedDict()
        self._graphs: OrderedDict[_Name, Recording] = OrderedDict()
        self._route: Route | None = None
        self._count = 0
        self._no_alpha = torch.empty(1, 1, 0, 0)
        self._index = self._device.index or 0 if self._cuda else -1
        if self._cuda:
            made = [torch.cuda.Stream(self._device) for _ in range(3)]  # type: ignore[no-untyped-call]
            self._up, self._work, self._down = made
            self._begun = torch.cuda.Event()  # type: ignore[no-untyped-call]

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
        one = isinstance(placings, Placement) or not isinstance(placings, Sequence)
        wanted: list[Placing | None] = [placings] if one else list(placings)  # type: ignore[list-item, arg-type]
        if len(wanted) > len(scene.order):
            raise ShapeError(
                f"lay: got {len(wanted)} subjects for {len(scene.order)} slots; need at most as "
                "many"
            )
        if not self._cuda:
            return self._submit(planes, encoding, quarter_turns, scene, wanted)
        # What the caller's stream made comes first: planes, a scene, a plate. Who there still
        # reads an earlier picture keeps it until that is done.
        self._begun.record(torch.cuda.current_stream(self._index))
        self._begun.wait(self._work)
        # All that is kept is made and given up in the order of this stream, so that nothing is
        # written while, or after, a frame before works in it.
        with self._work:
            return self._submit(planes, encoding, quarter_turns, scene, wanted)

    def _submit(
        self,
        planes: Planes,
        encoding: Encoding,
        turns: int,
        scene: Scene,
        wanted: list[Placing | None],
    ) -> Pending | None:
        """As `submit`, on the stream of the kernels."""
        route = self._route
        if route is None or self._gone or not route.serves(planes, encoding, turns, scene):
            route = self._route = None  # what it keeps may be given up now
            route = self._route = self._routed(planes, encoding, turns, scene)
        if route is None or not route.lay(wanted):
            return None
        # Also where there is a graph: the plate may be another.
        kept = self._analyser.prepare(planes, encoding, turns)
        number, variant = self._count % _LANES, self._analyser.variant
        way = route.way(number, variant)
        if way is None:
            way = self._recording(route, number, variant, kept)
            route.take(number, way)
        self._count += 1
        try:
            return self._sent(route.lanes[number], way, planes, route)
        except BaseException:
            self._abandon()
            raise

    def _routed(self, planes: Planes, encoding: Encoding, turns: int, scene: Scene) -> Route | None:
        """The way of such frames; None where the reference has to serve."""
        form = Form.of(planes)
        if not self.covers or not _readable(form, encoding):
            return None
        layers = self._layers(scene)
        if layers is None:
            return None
        kind = form, encoding, turns % 4, len(scene.order)
        return Route(kind, self._scenes[id(scene)][0], layers, self._lanes_of(kind))

    def _recording(self, route: Route, number: int, variant: bool, kept: object) -> Recording:
        """What frames on a route launch in a lane."""
        weights, layers, slots = self._weights, route.layers, route.slots
        assert weights is not None  # `covers` was asked
        _, encoding, turns, _ = route.kind
        name = route.kind, number, id(layers), slots, variant
        way = self._graphs.get(name)
        if way is None:
            way = Recording(route.lanes[number], encoding, turns, weights, self._settings, layers,
                            slots, self._alpha, self._analyser, kept)  # fmt: skip
            self._graphs[name] = way
            if len(self._graphs) > _MOST_GRAPHS:
                self._drop([next(iter(self._graphs))])
        self._graphs.move_to_end(name)
        return way

    def _sent(self, lane: Lane, way: Recording, planes: Planes, route: Route) -> Pending:
        """Upload, compute and download a frame."""
        if lane.settle is not None:
            # The frame before in this lane is done with its planes, its numbers, what it told.
            lane.settle()
        lane.write(route.packed)
        cover, here = self._no_alpha, lane.fetches(planes, self._index)
        uploaded, computed, downloaded = lane.uploaded, lane.computed, lane.downloaded
        if uploaded is None or computed is None or downloaded is None:
            if not here:
                lane.upload(planes)
            way.run()
            if way.alpha is not None:
                cover = way.alpha[None, None].clone()
            return Pending(way.picture.clone(), cover, lane.told.clone(), route.anybody, None)
        if not here:
            # Beside the kernels of the frame before.
            with self._up:
                self._begun.wait(self._up)
                lane.upload(planes)
                uploaded.record(self._up)
            uploaded.wait(self._work)
        way.run()
        computed.record(self._work)
        picture, done = way.picture, computed
        if self._host or way.alpha is not None:
            with self._down:
                computed.wait(self._down)
                if self._host:
                    # Of torch's store for such memory: what nobody holds any more, and no copy
                    # under way reads, comes back.
                    picture = torch.empty(picture.shape, dtype=torch.uint8, pin_memory=True)
                    picture.copy_(way.picture, non_blocking=True)
                if way.alpha is not None:
                    cover = way.alpha[None, None].clone()
                downloaded.record(self._down)
            done = downloaded
        pending = Pending(picture, cover, lane.told, route.anybody, done, planes)
        lane.settle = pending.wait
        return pending

    def _lanes_of(self, kind: Kind) -> list[Lane]:
        """The lanes of frames of a kind."""
        if kind not in self._lanes:
            form, _, turns, slots = kind
            self._lanes[kind] = [Lane.of(form, turns, slots, self._device) for _ in range(_LANES)]
            if self._cuda:
                # They are filled with zeros first.
                self._up.wait_stream(self._work)
            if len(self._lanes) > _MOST_FORMS:
                old = next(iter(self._lanes))
                self._drop([n for n in self._graphs if n[0] == old])
                del self._lanes[old]
        self._lanes.move_to_end(kind)
        return self._lanes[kind]

    def _layers(self, scene: Scene) -> Layers | None:
        """A scene on the card: put there once, and dropped with the scene."""
        self._gone.clear()
        for i in [i for i, (seen, _) in self._scenes.items() if seen() is None]:
            self._forget(i)
        kept = self._scenes.get(id(scene))
        if kept is None:
            kept = weakref.ref(scene, self._gone.append), layers_of(scene, self._device)
            if self._cuda:
                torch.cuda.current_stream(self._device).synchronize()
            self._scenes[id(scene)] = kept
            if len(self._scenes) > _MOST_SCENES:
                self._forget(next(iter(self._scenes)))
        self._scenes.move_to_end(id(scene))
        return kept[1]

    def _forget(self, scene: int) -> None:
        """Give up a scene, named by its id, with its graphs."""
        layers = self._scenes.pop(scene)[1]
        self._drop([n for n in self._graphs if n[2] == id(layers)])

    def _drop(self, names: Sequence[_Name]) -> None:
        """Give graphs up, with the pictures that only they make."""
        self._route = None
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
        self._route = None
        self._graphs.clear()
        self._lanes.clear()
        self._analyser.discard()


def _readable(form: Form, encoding: Encoding) -> bool:
    """Whether the planes belong together as the kernels read them; else the reference says why."""
    first, second, third = form.shapes
    if second != third or form.kinds[1] != form.kinds[2] or 0 in first:
        return False
    if encoding.matrix is Matrix.RGB:
        return first == second
    return all(have in (want, (want + 1) // 2) for have, want in zip(second, first, strict=True))
