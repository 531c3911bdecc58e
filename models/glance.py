"""A frame seen small, for those who judge frames: its picture, its matte, what it shows of people.

The planes are pooled once; all else is worked out from the small ones, by the live grade.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import torch
from torch import Tensor

from models.analysis import Analysis, Grade
from models.color import luminance, planes_to_rgb, turn
from models.planes import pooled_planes
from models.pyramid import enlarge
from models.settings import KeySettings
from models.solver import Solver
from models.upright import Upright
from models.window import inside

SIDE = 160
"""chosen: longest side of the small picture in pixels. Of twice as many the order of frames was the
same, at three times the cost."""
FINER_SIDE = 640
"""chosen: that of the picture in which faces are looked for; a whole person's has 35 pixels."""


@dataclass(frozen=True)
class Glance:
    """A frame seen small, upright.

    Attributes:
        finer_enc: (1, 3, h', w') float in [0, 1], R'G'B' as the source encodes it.
        finer_factor: how many pixels of the frame one of these stands for, each way.
        shown: (1, 3, h, w) float, linear Rec.709.
        alpha: (1, 1, h, w) float in [0, 1], coverage; ones where no screen is to be seen.
        sure: same shape, the same without what lies outside of the screen: a wall, a lamp, but also
            whoever stands at the frame's edge.
        factor: how many pixels of the frame one of these two stands for, each way.
        size: (H, W) of the frame, upright.
        screen_found: whether the frame shows a screen.
        screen_light: median luminance of the bare screen, linear; None where none is to be seen.
        plate_stops: how much brighter the screen is than on its plate; None without one that fits.
    """

    finer_enc: Tensor
    finer_factor: int
    shown: Tensor
    alpha: Tensor
    sure: Tensor
    factor: int
    size: tuple[int, int]
    screen_found: bool
    screen_light: float | None = None
    plate_stops: float | None = None

    @property
    def coverage(self) -> float:
        """The share of the frame that the subject covers, 0 to 1."""
        return float(self.alpha.mean())


def _pooled(frame: Upright, factor: int) -> Upright:
    if factor == 1:
        return frame
    return Upright(pooled_planes(frame.planes, factor), frame.encoding, frame.quarter_turns)


class Glancer:
    """Looks at frames of one source, in the order in which they were taken."""

    def __init__(self, settings: KeySettings, plate: Upright | None = None) -> None:
        """Make one.

        Args:
            settings: what a person set of the key; choke and shadow do not count here.
            plate: the bare screen; used for frames of its own size.
        """
        plain = replace(settings, choke=0.0, shadow="remove")
        self._solver = Solver(Grade.LIVE, plain, torch.device("cpu"))
        self._with = Analysis(Grade.LIVE, plain, clip=True)
        self._without = Analysis(Grade.LIVE, plain, clip=True)
        self._plate_size = None if plate is None else plate.size
        self._plate_light: Tensor | None = None
        if plate is not None:
            finer, rest = self._factors(plate.size)
            small = _pooled(_pooled(plate, finer), rest)
            self._with.set_plate(small)
            everywhere = slice(0, small.size[0]), slice(0, small.size[1])
            self._plate_light = luminance(small.linear(*everywhere))

    def _factors(self, size: tuple[int, int]) -> tuple[int, int]:
        finer = max(1, round(max(size) / FINER_SIDE))
        return finer, max(1, round(max(size) / finer / SIDE))

    def __call__(self, frame: Upright) -> Glance:
        """Look at a frame.

        Args:
            frame: on the CPU.
        """
        first, rest = self._factors(frame.size)
        finer = _pooled(frame, first)
        finer_enc = turn(planes_to_rgb(finer.planes, finer.encoding), frame.quarter_turns)
        small = _pooled(finer, rest)
        analysis = self._with if frame.size == self._plate_size else self._without
        known = analysis(small)
        shown = small.linear(slice(0, small.size[0]), slice(0, small.size[1]))
        found = known.bare is not None
        alpha = torch.full_like(shown[:, 0:1], 0.0 if found else 1.0)
        sure = alpha
        inner = inside(known.where, 1.0, (0, 0), small.size) if found else None
        if inner is not None:
            window = (Ellipsis, *inner)
            cut = self._solver.cut(shown[window].contiguous(), known, small.size, *inner, 1.0, None)
            alpha[window] = cut.alpha
            if cut.garbage is not None:
                sure = alpha * (1 - enlarge(cut.garbage, small.size))
        light = stops = None
        if known.bare is not None:
            bare = known.bare.sure > 0.5
            own = luminance(shown)[bare].clamp_min(1e-4)
            if len(own):
                light = float(own.median())
                if known.plate_fits and self._plate_light is not None:
                    stops = float((own / self._plate_light[bare].clamp_min(1e-4)).log2().median())
        return Glance(
            finer_enc, first, shown, alpha, sure, first * rest, frame.size, found, light, stops
        )
