"""A clip keyed frame by frame: averaged where it rests, analysed once, cut or placed at will.

What a frame is told by those before it can be kept and taken up again later, so that work on a
long clip may be broken off; on a CPU the frames then come out the same, bit for bit.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import torch

from models.analysis import Analysis, Known
from models.color import Encoding, Planes
from models.cut import Cut, Placed
from models.figure import Figure
from models.placing import Placer, Placing
from models.siting import sited
from models.state import State
from models.steady import Steady
from models.upright import Upright


@dataclass(frozen=True)
class Parts:
    """What a `Keyer` lends to a clip.

    Attributes:
        upload: brings planes to the device.
        painted: adds what was painted by hand to what is known of a frame.
        whole: cuts a frame at full size.
        placer: cuts and places it.
        analysis: tells what is known of it.
        steady: whether places at rest are averaged: in the final grade.
        device: where all of it works.
    """

    upload: Callable[[Planes, Encoding, int], Upright]
    painted: Callable[[Upright, Known], Known]
    whole: Callable[[Upright, Known], Cut]
    placer: Placer
    analysis: Analysis
    steady: bool
    device: torch.device


class KeyedFrame:
    """A frame of a clip, averaged with those before it, ready to be cut or placed.

    Frames of one clip may be cut and placed at the same time, by a thread each.
    """

    def __init__(self, parts: Parts, frame: Upright, shown: Upright, follows: bool) -> None:
        self._parts, self._frame = parts, frame
        self._shown: Upright | None = shown
        self._follows = follows
        self._known: Known | None = None

    @property
    def _halved(self) -> bool:
        light, chroma = self._frame.planes[:2]
        return chroma.shape != light.shape

    def known(self) -> Known:
        """What it tells; looked at once."""
        if self._known is None:
            known = self._parts.analysis(
                self._frame, self._shown, self._follows, alone=self._halved
            )
            self._known, self._shown = self._parts.painted(self._frame, known), None
        return self._known

    @property
    def screen_found(self) -> bool:
        """Whether it shows a screen; else all of it is subject."""
        return self.known().bare is not None

    @property
    def plate_fits(self) -> bool | None:
        """As in `models.cut.Cut`."""
        return self.known().plate_fits

    def cut(self) -> Cut:
        """The subject cut out at full size."""
        return self._parts.whole(self._frame, self.known())

    def place(self, placement: Placing, size: tuple[int, int]) -> Placed:
        """The subject at its place in a picture, as `Keyer.place` gives it.

        Args:
            placement: where the upright frame lies.
            size: (H, W) of the picture.
        """
        return self._parts.placer(self._frame, self.known(), placement, size)

    def figure(self) -> Figure | None:
        """Where the subject stands, as `Keyer.figure` finds it."""
        return self._parts.placer.figure(self._frame, self.known())


class KeyedClip:
    """Follows one clip. Its `Keyer` must not be used for anything else meanwhile."""

    def __init__(self, parts: Parts) -> None:
        self._parts = parts
        self._steady = Steady()
        self._told: Encoding | None = None
        self._found: Encoding | None = None
        self._follows = False

    def next(self, planes: Planes, encoding: Encoding, quarter_turns: int = 0) -> KeyedFrame:
        """Take the next frame. Only the past is looked at.

        Where chroma sits is measured on the first frame and kept. All that hangs on the order of
        the frames is done here; what is left to do once a frame is cut or placed hangs on that
        frame alone.

        Args:
            planes, encoding, quarter_turns: as in `Keyer.cut`.

        Raises:
            ShapeError: as in `Keyer.cut`.
        """
        if self._found is None or self._told != encoding:
            self._told, self._found = encoding, sited(planes, encoding)
        shown = calm = self._parts.upload(planes, self._found, quarter_turns)
        if self._parts.steady:
            averaged = self._steady.follow(shown.planes, self._found)
            calm = Upright(averaged, self._found, quarter_turns)
        frame = KeyedFrame(self._parts, calm, shown, self._follows)
        # The first lays the plate for all, whatever was analysed before the clip began.
        if not self._follows or not self._parts.analysis.settled:
            frame.known()
        self._follows = True
        return frame

    @property
    def state(self) -> State:
        """What the next frame is told by those before it, exactly."""
        facts = {
            "told": None if self._told is None else self._told.to_json(),
            "found": None if self._found is None else self._found.to_json(),
            "follows": self._follows,
        }
        analysis = self._parts.analysis.state
        return State.joined(clip=State({}, facts), steady=self._steady.state, analysis=analysis)

    def restore(self, state: State) -> None:
        """Go on after the frame that `state` was taken behind, with the same plate and settings.

        Raises:
            StateError, EncodingError: it is not whole.
        """
        clip, device = state.part("clip"), self._parts.device
        told, found = clip.fact("told"), clip.fact("found")
        self._told = None if told is None else Encoding.from_json(told)
        self._found = None if found is None else Encoding.from_json(found)
        self._follows = bool(clip.fact("follows"))
        self._steady.restore(state.part("steady"), device)
        self._parts.analysis.restore(state.part("analysis"), device)
