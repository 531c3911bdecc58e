"""Frames brought to the device and looked at whole, before anything is cut."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import torch

from models.analysis import Analysis, Grade, Known
from models.color import Encoding, Planes
from models.errors import ShapeError
from models.mask import Mask
from models.recall import Mark
from models.siting import sited
from models.upright import Upright
from models.window import bounds, hull

if TYPE_CHECKING:
    from models.kernels.cpu.core import Core


class Looking:
    """Looks at frames; keeps what the last still told.

    Attributes:
        mask: strokes painted by hand over every frame, on the device; or None.
        core: reads planes in place of torch; or None.
    """

    def __init__(
        self, grade: Grade, device: torch.device, analysis: Analysis, remembers: bool
    ) -> None:
        """Make one.

        Args:
            grade: how much work a picture gets.
            device: where it works.
            analysis: what frames are analysed by.
            remembers: a frame that comes again at once is not analysed twice.
        """
        self.mask: Mask | None = None
        self.core: Core | None = None
        self._grade, self._device, self._analysis = grade, device, analysis
        self._remembers = remembers
        self._seen: tuple[Mark, Encoding, Known] | None = None

    def forget(self) -> None:
        """Drop what the last still told."""
        self._seen = None

    def __call__(
        self, planes: Planes, encoding: Encoding, quarter_turns: int
    ) -> tuple[Upright, Known]:
        """A frame and what it tells; the last still is not analysed twice.

        Args:
            planes, encoding, quarter_turns: as in `models.keyer.Keyer.cut`.

        Raises:
            ShapeError: planes that do not belong together, or a plate or mask of another size.
        """
        seen = self._seen
        if seen is not None and seen[0].stands_for(planes, encoding, quarter_turns):
            frame = self.upload(planes, seen[1], quarter_turns)
            return frame, self.painted(frame, seen[2])
        found = sited(planes, encoding) if self._grade is Grade.FINAL else encoding
        frame = self.upload(planes, found, quarter_turns)
        known = self._analysis(frame)
        if self._remembers:
            self._seen = Mark.of(planes, encoding, quarter_turns), found, known
        return frame, self.painted(frame, known)

    def upload(self, planes: Planes, encoding: Encoding, quarter_turns: int) -> Upright:
        """A frame on the device.

        Args:
            planes, encoding, quarter_turns: as in `models.keyer.Keyer.cut`.
        """
        y, cb, cr = (p.to(self._device, non_blocking=True) for p in planes)
        here = y, cb, cr
        reader = None if self.core is None else self.core.light(here, encoding, quarter_turns)
        return Upright(here, encoding, quarter_turns, reader)

    def analyse(self, frame: Upright, follows: bool = False, corrects: bool = True) -> Known:
        """What the whole frame tells, with what is painted over it.

        Args:
            frame: as `upload` gave it.
            follows: as in `models.keyer.Keyer.figure`.
            corrects: as in `models.analysis.Analysis`.
        """
        return self.painted(frame, self._analysis(frame, follows=follows, corrects=corrects))

    def painted(self, frame: Upright, known: Known) -> Known:
        """What is known of a frame, with what is painted over it."""
        if self.mask is None:
            return known
        if self.mask.size != frame.size:
            have = self.mask.size
            raise ShapeError(
                f"mask: it is {have[1]}x{have[0]} and the frame is {frame.size[1]}x{frame.size[0]} "
                "(width x height, upright); paint it over this frame at its full size"
            )
        painted = bounds(self.mask.strokes[:, 0:1] > 0, 1, frame.size)
        return replace(known, where=hull(known.where, painted))
