"""The pictures of one film, frame by frame: keyed subjects laid into its design, as planes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Protocol

from torch import Tensor

from models.color import Planes
from models.composite import Scene
from models.cut import Placed
from models.figure import Figure
from models.laying import Laying
from models.placing import Placing
from models.resample import Placement
from models.sequence import KeyedFrame
from models.video_planes import VideoPlanes
from models.window import hull
from stream.take import Take
from stream.template import Nudge


class Staging(Protocol):
    """What a film shows at its times, as a `stream.film.design.Design` says it."""

    @property
    def size(self) -> tuple[int, int]:
        """(H, W) of its pictures, both even."""

    def scene(self, t_s: float) -> Scene:
        """What its subjects stand in; the same object for as long as nothing changes."""

    def standing(self, t_s: float) -> int:
        """How many of the layers that come and go are wholly there."""

    def subject_gain(self, t_s: float) -> float:
        """How much of the subjects is seen, 0 to 1."""

    def placings(
        self, frame_size: tuple[int, int], mirror: bool, nudge: Nudge
    ) -> Sequence[Placing | None]:
        """Where the take's frames lie in each slot, or what tells it from the figure in them."""


def placements_of(
    design: Staging, frame_size: tuple[int, int], take: Take, figure: Figure | None
) -> list[Placement | None]:
    """Where the take's frames lie in a film: in one place from its begin to its end.

    Args:
        design: the film's.
        frame_size: (H, W) of the upright frames.
        take: says whether they are mirrored, and how far they are moved.
        figure: one for all of them.
    """
    nudge = Nudge.from_json(dict(take.nudge))
    given = design.placings(frame_size, take.mirror, nudge)
    return [p(figure) if callable(p) else p for p in given]


@dataclass(frozen=True)
class _Last:
    """What the last picture was made of, and what came of it."""

    scene: Scene
    source: int | None
    gain: float
    codes: Tensor
    planes: Planes


class FilmPictures:
    """Lays the frames of a take into one film; makes nothing twice that stays the same.

    Attributes:
        name: the film's shape; its pieces are called by it.
        size: (H, W) of its pictures.
        grown: how many times the take's frames are enlarged, at most.
    """

    def __init__(
        self,
        name: str,
        design: Staging,
        placements: Sequence[Placement | None],
        rate: Fraction,
        wrap: float,
    ) -> None:
        """Prepare.

        Args:
            name: of the film's shape.
            design: what it shows.
            placements: where the take's frames lie, for each slot; None where it stays empty.
            rate: frames a second.
            wrap: amount of light wrap, 0 to 1.
        """
        self.name, self.size = name, design.size
        self._design, self._placements, self._rate = design, tuple(placements), rate
        self.grown = max((p.scale for p in self._placements if p is not None), default=1.0)
        self._laying = Laying(wrap)
        self._convert = VideoPlanes(lambda scene: self._laying.bare_picture(scene, 8)[1])
        self._last: _Last | None = None

    def place(self, keyed: KeyedFrame) -> list[Placed | None]:
        """A frame's subject at its place in each slot. Any thread may do this."""
        return [None if p is None else keyed.place(p, self.size) for p in self._placements]

    def picture(self, number: int, source: int | None, placed: Sequence[Placed | None]) -> Planes:
        """One frame of the film.

        Args:
            number: its own.
            source: the number of the take's frame that it shows; None for none.
            placed: that frame's subject, as `place` gave it.

        Returns:
            Y', Cb, Cr, uint8, on the CPU, as `models.video_planes.FILM` says.
        """
        at_s = float(number / self._rate)
        scene = self._design.scene(at_s)
        gain = 0.0 if source is None else self._design.subject_gain(at_s)
        shown = source if gain > 0 else None
        last = self._last
        if last and last.scene is scene and (last.source, last.gain) == (shown, gain):
            return last.planes
        laid = [] if shown is None else [p and p.faded(gain) for p in placed]
        done = self._laying(laid, scene)
        first, second, third = self._convert(done.picture, scene, _changed(laid))
        planes = first.cpu(), second.cpu(), third.cpu()
        self._last = _Last(scene, shown, gain, done.picture, planes)
        return planes

    @property
    def codes(self) -> Tensor:
        """The last picture's, (H, W, 3) uint8, sRGB."""
        if self._last is None:
            raise ValueError("codes: no picture was made yet")
        return self._last.codes

    def full_at(self, number: int) -> bool:
        """Whether a frame of the film shows the subject as it is, not faded."""
        return self._design.subject_gain(float(number / self._rate)) >= 1

    def standing(self, number: int) -> int:
        """How many of the layers that come and go a frame of the film shows in full."""
        return self._design.standing(float(number / self._rate))


def _changed(placed: Sequence[Placed | None]) -> tuple[slice, slice] | None:
    """Rows and columns outside of which a picture is the bare scene."""
    nothing = slice(0, 0), slice(0, 0)
    out = nothing
    for one in placed:
        if one is not None and one.subject is not None:
            out = hull(out, (one.rows, one.columns))
        if one is not None and one.shade is not None:
            out = hull(out, (one.shade.rows, one.shade.columns))
    return None if out == nothing else out
