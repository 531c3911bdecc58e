"""The one value that crosses from capture to everything after it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime
from fractions import Fraction

import torch

from models.color import Encoding, Planes


@dataclass(frozen=True)
class Frame:
    """One captured picture, as planes, with every tag resolved.

    Attributes:
        planes: three tensors (H, W), Y', Cb, Cr or R', G', B'; uint8 at 8 bit, int32 deeper;
            memory of their own, so that a frame may be kept: in main memory, or on the graphics
            card that decoded them, where chroma planes may be strided.
        encoding: how to read the planes.
        quarter_turns: clockwise quarter turns, 0 to 3, that make the picture upright.
        pts: presentation time in units of ``time_base``; None where the source has none.
        time_base: seconds a tick.
        arrived_s: monotonic clock at arrival, seconds.
        taken: wall clock at arrival, or the date that the camera wrote, or that of a still's file;
            with a time zone.
        source: name of the source, for people.
        index: running number of the frame in its source.
    """

    planes: Planes
    encoding: Encoding
    quarter_turns: int
    pts: int | None
    time_base: Fraction | None
    arrived_s: float
    taken: datetime
    source: str
    index: int

    @property
    def upright_size(self) -> tuple[int, int]:
        """(H, W) once turned upright."""
        height, width = self.planes[0].shape
        return (width, height) if self.quarter_turns % 2 else (height, width)

    @property
    def device(self) -> torch.device:
        """Where its planes lie."""
        return self.planes[0].device

    def on_host(self) -> Frame:
        """This frame with its planes in main memory, for files and everything that is no tensor.

        Returns:
            Itself where they lie there already; else a frame with the same code values.
        """
        if self.device.type == "cpu":
            return self
        first, second, third = (p.contiguous().cpu() for p in self.planes)
        return replace(self, planes=(first, second, third))
