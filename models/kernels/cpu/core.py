"""The per-pixel half of the live grade on a CPU, compiled: what a Keyer uses in place of torch."""

from __future__ import annotations

from torch import Tensor

from models.analysis import Known
from models.color import Encoding, Planes
from models.composite import Scene
from models.enlarged import InRows
from models.estimator import Estimator
from models.kernels.cpu import laying
from models.kernels.cpu.banding import Bands
from models.kernels.cpu.light import Light
from models.kernels.cpu.matting import Matting
from models.kernels.cpu.placing import Scaled, Spans
from models.settings import KeySettings
from models.upright import Upright


class Core:
    """Compiled work on single pixels, for the frames of one source.

    Args:
        network: the live estimator, on a CPU.
        settings: what a person set.
        threads: how many share a frame.
    """

    def __init__(self, network: Estimator, settings: KeySettings, threads: int) -> None:
        self._bands = Bands(threads)
        self._matting = Matting(network, self._bands)
        self._settings = settings
        self._layer = laying.Layer()

    @staticmethod
    def covers_network(network: Estimator) -> bool:
        """Whether a network has the shape that the kernels are written for."""
        return Matting.covers(network)

    def light(self, planes: Planes, encoding: Encoding, quarter_turns: int) -> Light | None:
        """What reads planes as linear light; None for planes that it does not read."""
        if not Light.covers(planes, encoding):
            return None
        return Light(planes, encoding, quarter_turns, self._bands)

    def covers(self, known: Known) -> bool:
        """Whether a frame can be cut here: it shows a screen, and edges stay where they are."""
        return known.bare is not None and known.subject is not None and not self._settings.choke

    def shown(self, frame: Upright, rows: slice, columns: slice) -> Tensor | Light:
        """A window of a frame at full size as `cut` takes it."""
        if isinstance(frame.reader, Light) and frame.reader.direct:
            return frame.reader
        return frame.linear(rows, columns)

    def cut(
        self,
        shown: Tensor | Light,
        known: Known,
        size: tuple[int, int],
        rows: slice,
        columns: slice,
        scale: float,
    ) -> Tensor:
        """As `models.solver.Solver.cut` without strokes, premultiplied.

        Args:
            shown: (1, 3, rows, columns) float, linear Rec.709; or as `shown` gives it.
            known, size, rows, columns, scale: as there.

        Returns:
            (1, 4, rows, columns) float, channels beside each other in memory.
        """
        s = self._settings
        levels = s.black_point, s.white_point, s.despill, s.despill_luminance
        noise = known.noise * min(1.0, scale)
        if isinstance(shown, Tensor):
            shown = shown.contiguous()
        return self._matting.cut(shown, known, noise, size, rows, columns, levels)

    def place(
        self,
        held: Tensor,
        at: Spans,
        extent: tuple[int, int],
        wanted: tuple[int, int],
        mirror: bool,
        part: Spans,
        top: int = 0,
    ) -> Scaled:
        """As `models.kernels.cpu.placing.Scaled`."""
        return Scaled(held, at, extent, wanted, mirror, part, self._bands, top)

    def lay(
        self, subject: InRows | Tensor, rows: slice, columns: slice, scene: Scene, picture: Tensor,
        alpha: Tensor,
    ) -> bool:  # fmt: skip
        """Lay the one subject of a scene; False where torch has to.

        Args:
            subject: as in `models.cut.Placed`.
            rows, columns, picture, alpha: as in `models.kernels.cpu.laying.lay`.
            scene: the template.
        """
        if len(scene.order) > 1 or self._settings.light_wrap or not laying.covers(scene.overlays):
            return False
        if not scene.below.is_contiguous():
            return False
        if not isinstance(subject, Scaled):
            whole = subject if isinstance(subject, Tensor) else subject.whole()
            subject = Scaled.as_it_is(whole, self._bands)
        step = self._layer(scene.overlays)
        laying.lay(subject, rows, columns, scene.below, step, picture, alpha, self._bands)
        return True
