"""What a whole frame tells, seen small: its screen, its subject, its noise.

The screen's colour and the subject's change slowly across a frame, so that a small copy shows them
as well; single pixels are looked at later, at full size.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from enum import Enum

import torch
from torch import Tensor

from models import matte, screen, shadow
from models.correction import Correction
from models.corrector import Corrector
from models.field import Fitted, fit
from models.outside import with_outside
from models.plate import MISFIT_STOPS, Plate, plate_misfit, read_plate, require_same_size
from models.register import registered
from models.running import Running
from models.screen import Hue, Screen
from models.settings import KeySettings
from models.state import State
from models.upright import Upright
from models.window import bounds


class Grade(Enum):
    """How much work a picture gets: ``LIVE`` is a subset of ``FINAL``."""

    LIVE = "live"
    FINAL = "final"


SIDE = {Grade.LIVE: 320, Grade.FINAL: 1280}
"""chosen: longest side of the analysis in pixels; finer was no better on rendered scenes."""
FOLLOW = {Grade.LIVE: 6, Grade.FINAL: 24}


@dataclass(frozen=True)
class Known:
    """What the analysis of a whole frame told.

    Attributes:
        bare: the screen at analysis size; None where none is to be seen.
        subject: likewise.
        plate_fits: as in `models.cut.Cut`.
        noise: the noise of the matte over the bare screen.
        where: rows and columns of the frame outside of which there is nothing but screen.
        dark: (1, 1, h, w) in [0, 1], the subject's shadow; None unless it is kept.
        alone: the small network decides alone: over a clip whose chroma is halved.
        correction: of the matte, by the edge network; None where there is none.
    """

    bare: Fitted | None
    subject: matte.Subject | None
    plate_fits: bool | None
    noise: float
    where: tuple[slice, slice]
    dark: Tensor | None = None
    alone: bool = False
    correction: Correction | None = None


def unclear_within(
    screen: Screen, hold_out: Tensor, factor: int, size: tuple[int, int]
) -> tuple[slice, slice]:
    """Rows and columns of the frame that hold all that is not surely screen.

    Args:
        screen: as fitted to the frame.
        hold_out: (1, 1, h, w) in [0, 1], what is never subject.
        factor: pixels of the frame for one of the analysis, each way.
        size: (H, W) of the frame.
    """
    return bounds(torch.minimum(1 - screen.sure, 1 - hold_out) > 0, factor, size)


@dataclass(frozen=True)
class Steps:
    """The functions that an analysis is made of, so that a device may bring its own.

    Attributes:
        reduced, sampled: as those of `Upright`.
        find: as `screen.find`.
        plate_misfit: as `plate.plate_misfit`.
        fit: as `field.fit`.
        with_outside: as `outside.with_outside`.
        noise: as `Screen.noise`.
        find_subject: as `matte.find_subject`.
        unclear_within: as `unclear_within` here.
    """

    reduced: Callable[[Upright, int], Tensor]
    sampled: Callable[[Upright, int], Tensor]
    find: Callable[[Tensor, Hue | None], tuple[Hue, Tensor] | None]
    plate_misfit: Callable[[Tensor, Tensor, Hue], float]
    fit: Callable[[Tensor, Tensor, Hue, bool], Fitted]
    with_outside: Callable[[Tensor, Fitted, Plate | None], Fitted]
    noise: Callable[[Screen, Tensor], float]
    find_subject: Callable[[Tensor, Screen, int, bool, float], matte.Subject]
    unclear_within: Callable[[Screen, Tensor, int, tuple[int, int]], tuple[slice, slice]]


REFERENCE = Steps(
    reduced=Upright.reduced,
    sampled=Upright.sampled,
    find=screen.find,
    plate_misfit=plate_misfit,
    fit=fit,
    with_outside=with_outside,
    noise=Screen.noise,
    find_subject=matte.find_subject,
    unclear_within=unclear_within,
)
"""In plain torch, for any device."""


class Analysis:
    """Analyses frames of one source; keeps its clean plate, and of a clip what it showed.

    Args:
        grade: how much work a frame gets.
        settings: what a person set.
        clip: the frames follow each other, so what they show of the screen is remembered.
        corrector: corrects the matte that comes of it; None: nothing does.
        steps: what it is made of.
    """

    def __init__(
        self,
        grade: Grade,
        settings: KeySettings,
        clip: bool,
        corrector: Corrector | None = None,
        steps: Steps = REFERENCE,
    ) -> None:
        self.corrector, self.steps = corrector, steps
        self._grade, self._settings = grade, settings
        self._running = Running() if clip else None
        self._plate: Upright | None = None
        self._plate_small: Plate | None = None
        self._laid: Plate | None = None

    @property
    def plate(self) -> Upright | None:
        """The picture of the bare screen that is kept."""
        return self._plate

    def set_plate(self, plate: Upright | None) -> None:
        """Keep the picture of the bare screen, or drop it."""
        self._plate, self._plate_small, self._laid = plate, None, None

    @property
    def settled(self) -> bool:
        """Whether no frame of a clip hangs any longer on which one was analysed before it."""
        return self._running is None and (self._plate is None or self._laid is not None)

    @property
    def state(self) -> State:
        """What a clip's frames left: where the plate was laid, and what the screen looked like."""
        laid, running = self._laid, self._running
        plate = (
            State()
            if laid is None
            else State({"shown": laid.shown, "color": laid.color, "other": laid.other})
        )
        return State.joined(laid=plate, running=State() if running is None else running.state)

    def restore(self, state: State, device: torch.device) -> None:
        """Go on from what `state` gave, with the same plate and settings.

        Raises:
            StateError: it is not whole.
        """
        laid = state.part("laid")
        names = ("shown", "color", "other")
        self._laid = Plate(*(laid.tensor(n, device) for n in names)) if laid.tensors else None
        if self._running is not None:
            self._running.restore(state.part("running"), device)

    def factor(self, size: tuple[int, int]) -> int:
        """How many pixels of a frame of ``size`` one of its analysis stands for, each way."""
        return max(1, round(max(size) / SIDE[self._grade]))

    def read_plate(self, plate: Upright) -> Plate:
        """A plate at analysis size, without what stands in it."""
        taken = plate.reduced(self.factor(plate.size))
        return read_plate(taken, screen.find(taken, self._wanted()))

    def __call__(
        self,
        frame: Upright,
        noisy: Upright | None = None,
        follows: bool = False,
        corrects: bool = True,
        alone: bool = False,
    ) -> Known:
        """What the whole frame tells of its screen and its subject.

        Args:
            frame: the frame that is keyed.
            noisy: as it was before anything was averaged, where that is another; what moves in an
                averaged frame is as noisy as ever.
            follows: the frame is the next of a clip, so the camera stands as it stood: the plate
                stays where it was laid on the first.
            corrects: the edge network is asked, where there is one.
            alone: as in `Known`.

        Raises:
            ShapeError: the plate is of another size.
        """
        factor = self.factor(frame.size)
        steps = self.steps
        small = steps.reduced(frame, factor)
        plate = self._plate_at((small.shape[-2], small.shape[-1]), frame.size)
        found = steps.find(small, self._wanted())
        everywhere = slice(0, frame.size[0]), slice(0, frame.size[1])
        if found is None:
            return Known(None, None, None, 0.0, everywhere, alone=alone)
        hue, color = found
        final = self._grade is Grade.FINAL
        fits = None
        if plate is not None:
            fits = steps.plate_misfit(small, plate.color, hue) < MISFIT_STOPS
        plate = plate if fits else None
        if plate is not None and final:
            if self._laid is None or not follows:
                self._laid = registered(small, plate)
            plate = self._laid
        bare = self._fit(small, hue, color, plate)
        bare = steps.with_outside(small, bare, plate)
        noise = steps.noise(bare, steps.sampled(noisy or frame, factor))
        # What is held out looks like screen to all that follows.
        kept = torch.lerp(small, bare.color, bare.hold_out)
        subject = steps.find_subject(kept, bare, FOLLOW[self._grade], final, noise)
        where = steps.unclear_within(bare, bare.hold_out, factor, frame.size)
        dark = None
        if self._settings.shadow == "keep":
            lit = None if plate is None else plate.color
            dark = shadow.darkness(small, bare, lit, subject.core)
        correction = None
        if corrects and self.corrector is not None:
            correction = self.corrector(small, bare, subject, noise / factor, alone)
        return Known(bare, subject, fits, noise, where, dark, alone, correction)

    def _fit(self, small: Tensor, hue: Hue, color: Tensor, plate: Plate | None) -> Fitted:
        """Fit the screen, from the plate, else from what a clip showed of it, else anew."""
        if plate is not None:
            return self.steps.fit(small, plate.color, hue, True)
        if self._running is None:
            return self.steps.fit(small, color, hue, False)
        lately = self._running.guess(hue, (small.shape[-2], small.shape[-1]))
        if lately is not None and self.steps.plate_misfit(small, lately, hue) > MISFIT_STOPS:
            lately = None
            self._running.forget()
        bare = self.steps.fit(small, color if lately is None else lately, hue, lately is not None)
        self._running.learn(bare)
        return bare

    def _plate_at(self, size: tuple[int, int], frame_size: tuple[int, int]) -> Plate | None:
        """The plate scaled to the analysis, made once per size."""
        if self._plate is None:
            return None
        require_same_size(self._plate.size, frame_size)
        if self._plate_small is None or self._plate_small.color.shape[-2:] != size:
            self._plate_small = self.read_plate(self._plate)
        return self._plate_small

    def _wanted(self) -> Hue | None:
        return None if self._settings.screen == "auto" else Hue[self._settings.screen.upper()]
