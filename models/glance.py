"""A frame seen small, for those who judge frames: its picture, its matte, what it shows of people.

The planes are pooled once; all else is worked out from the small ones. The screen is found and
fitted as the live grade does it; the matte is the colour difference alone (`models.screen`): it
says where to measure, no picture is made of it, and the network would take as long as all the rest.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import torch
from torch import Tensor

from models.color import luminance, planes_to_rgb, turn
from models.field import Fitted, fit
from models.outside import with_outside
from models.planes import pooled_planes
from models.plate import MISFIT_STOPS, Plate, plate_misfit, read_plate
from models.pyramid import soften
from models.running import Running
from models.screen import Hue, find, normalised_difference
from models.settings import KeySettings
from models.upright import Upright

SIDE = 160
"""chosen: longest side of the small picture in pixels. Of twice as many the order of frames was the
same, at three times the cost."""
FINER_SIDE = 640
"""chosen: that of the picture in which faces are looked for; a whole person's has 35 pixels."""

_BARE, _SOLID = 0.12, 0.6
"""chosen: differences up to which a square is bare screen, and from which it is solid: the screen's
light on hair and skin is not to look like a hole."""


@dataclass(frozen=True)
class Glance:
    """A frame seen small, upright.

    Attributes:
        finer_enc: (1, 3, h', w') float in [0, 1], R'G'B' as the source encodes it.
        finer_factor: how many pixels of the frame one of these stands for, each way.
        shown: (1, 3, h, w) float, linear Rec.709.
        alpha: (1, 1, h, w) float in [0, 1], coverage; ones where no screen is to be seen.
        inner: same shape, the same without what lies outside of the screen: a wall, a lamp, but
            also whoever stands at the frame's edge; None where no screen is to be seen.
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
    factor: int
    size: tuple[int, int]
    inner: Tensor | None = None
    screen_found: bool = False
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


def _whole(frame: Upright) -> Tensor:
    return frame.linear(slice(0, frame.size[0]), slice(0, frame.size[1]))


class Glancer:
    """Looks at frames of one source, in the order in which they were taken."""

    def __init__(self, settings: KeySettings, plate: Upright | None = None) -> None:
        """Make one.

        Args:
            settings: what a person set of the key; of it only the screen's colour counts here.
            plate: the bare screen; used for frames of its own size.
        """
        self._wanted = None if settings.screen == "auto" else Hue[settings.screen.upper()]
        self._running = Running()
        self._plate: Plate | None = None
        self._plate_size: tuple[int, int] | None = None
        if plate is not None:
            finer, rest = self._factors(plate.size)
            shown = _whole(_pooled(_pooled(plate, finer), rest))
            self._plate = read_plate(shown, find(shown, self._wanted))
            self._plate_size = plate.size

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
        shown = _whole(_pooled(finer, rest))
        plate = self._plate if frame.size == self._plate_size else None
        found = find(shown, self._wanted)
        kept = Glance(
            finer_enc, first, shown, torch.ones_like(shown[:, 0:1]), first * rest, frame.size
        )
        if found is None:
            return kept
        hue, color = found
        if plate is not None and plate_misfit(shown, plate.color, hue) >= MISFIT_STOPS:
            plate = None
        bare = self._fit(shown, hue, color, plate)
        off = soften(normalised_difference(shown, bare.color, hue)) * (1 - bare.hold_out)
        alpha = ((off - _BARE) / (_SOLID - _BARE)).clamp(0, 1)
        sure = alpha if bare.unsettled is None else alpha * (1 - bare.unsettled)
        light, stops = self._light(shown, bare.sure > 0.5, plate)
        return replace(
            kept,
            alpha=alpha,
            inner=sure,
            screen_found=True,
            screen_light=light,
            plate_stops=stops,
        )

    def _fit(self, shown: Tensor, hue: Hue, color: Tensor, plate: Plate | None) -> Fitted:
        """The screen: from the plate, else from what earlier frames showed of it, else anew."""
        if plate is not None:
            return with_outside(shown, fit(shown, plate.color, hue, True), plate)
        lately = self._running.guess(hue, (shown.shape[-2], shown.shape[-1]))
        if lately is not None and plate_misfit(shown, lately, hue) > MISFIT_STOPS:
            lately = None
        bare = fit(shown, color if lately is None else lately, hue, lately is not None)
        self._running.learn(bare)
        return with_outside(shown, bare, None)

    @staticmethod
    def _light(
        shown: Tensor, bare: Tensor, plate: Plate | None
    ) -> tuple[float | None, float | None]:
        """How bright the bare screen is, and how much brighter than on the plate, in stops."""
        own = luminance(shown)[bare].clamp_min(1e-4)
        if not len(own):
            return None, None
        if plate is None:
            return float(own.median()), None
        was = luminance(plate.shown)[bare].clamp_min(1e-4)
        return float(own.median()), float((own / was).log2().median())
