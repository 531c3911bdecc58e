"""Looking at the frames of a burst, one after the other; of each only figures are kept."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

import torch
from torch import Tensor

from models.color import planes_to_rgb, turn
from models.exposure import Exposure, exposure
from models.glance import Glance, Glancer
from models.motion import motion
from models.planes import sampled_planes
from models.settings import KeySettings
from models.sharpness import Detail, Sharpness, detail, sharpness
from models.upright import Upright
from models.wholeness import Wholeness, wholeness
from stream.best.faces import SeenFace, find_faces, follow_faces, look_again
from stream.best.matching import Person, match
from stream.capture.frame import Frame

_HOPELESS = 0.2
"""chosen: of a frame with less than this share of the sharpest one's detail, landmarks say nothing,
and it is not the best one whatever the eyes do."""
_ANEW = 5
"""Faces are followed from frame to frame; in every so-many-th frame they are looked for anew."""
_LEFT = 0.3
_FACE = 0.9
"""The square from brow to chin, without its corners' hair and screen."""


@dataclass(frozen=True)
class FaceFigures:
    """A face in a frame, and how it is taken.

    Attributes:
        seen: what its landmarks say.
        sharp: None where it is too small to tell.
        exposed: likewise.
    """

    seen: SeenFace
    sharp: Sharpness | None
    exposed: Exposure | None


@dataclass
class Look:
    """What one frame shows.

    Attributes:
        size: (H, W) of it, upright.
        screen_found: whether it shows a screen.
        whole: of its matte.
        sharp: of the subject; None where nobody is.
        exposed: likewise.
        screen_light: as in `models.glance.Glance`.
        plate_stops: likewise.
        moved: since the frame before, in shares of the frame's longer side; None where there is
            none, or one of another size.
        looked: whether faces were looked for.
        faces: of the people in it, by their place in the list of people.
    """

    size: tuple[int, int]
    screen_found: bool
    whole: Wholeness
    sharp: Sharpness | None
    exposed: Exposure | None
    moved: float | None
    screen_light: float | None = None
    plate_stops: float | None = None
    looked: bool = False
    faces: dict[int, FaceFigures] = field(default_factory=dict)


@dataclass(frozen=True)
class _Open:
    """A frame while it is looked at."""

    upright: Upright
    glance: Glance
    detail: Detail
    sampled_enc: Tensor

    def face(self, seen: SeenFace) -> FaceFigures:
        """How a face is taken."""
        glance = self.glance
        unit = max(glance.size) / glance.factor
        y, x = (torch.arange(n) + 0.5 for n in glance.alpha.shape[-2:])
        away = (y[:, None] - seen.y * unit).square() + (x[None] - seen.x * unit).square()
        disc = (away <= (_FACE * seen.side * unit / 2) ** 2).float()[None, None]
        exposed = exposure(self.sampled_enc, disc * glance.alpha)
        return FaceFigures(seen, sharpness(self.detail, disc), exposed)


class Looker:
    """Looks at a burst: each frame is asked for once, and once more where a face was missed.

    Attributes:
        looks: what each frame shows, in order.
        people: who is in them, from left to right.
    """

    def __init__(self, settings: KeySettings, plate: Frame | None) -> None:
        """Make one.

        Args:
            settings: of the key.
            plate: the bare screen.
        """
        self._glancer = Glancer(settings, None if plate is None else _upright(plate))
        self.looks: list[Look] = []
        self.people: list[Person] = []

    def __call__(self, frames: Sequence[Frame], seen: Callable[[int, int], None]) -> None:
        """Look at all frames.

        Args:
            frames: in the order in which they were taken.
            seen: is told how many were looked at, of how many.
        """
        found: dict[int, list[FaceFigures]] = {}
        sharpest: Sharpness | None = None
        before: Glance | None = None
        for n in range(len(frames)):
            at = self._opened(frames[n])
            look = _look(at, before)
            sharp = look.sharp
            if sharp is not None and (sharpest is None or sharp.total > sharpest.total):
                sharpest = sharp
            if sharp is not None and sharpest is not None:
                look.looked = sharp.share_of(sharpest) >= _HOPELESS
            if look.looked:
                found[n] = [at.face(f) for f in self._faces(at, n, found)]
            self.looks.append(look)
            before = at.glance
            seen(n + 1, len(frames))
        for n, look in enumerate(self.looks):
            # Only now is it known which one is the sharpest.
            if n in found and look.sharp is not None and sharpest is not None:
                look.looked = look.sharp.share_of(sharpest) >= _HOPELESS
                if not look.looked:
                    del found[n]
        self.people = match({n: [f.seen for f in faces] for n, faces in found.items()})
        for n, faces in found.items():
            self._name(n, faces, frames)

    @staticmethod
    def _faces(at: _Open, n: int, found: Mapping[int, list[FaceFigures]]) -> list[SeenFace]:
        """The faces of frame ``n``, given those of the frames before it."""
        last = [f.seen for f in found[max(found)]] if found else []
        followed = follow_faces(at.upright, last) if n % _ANEW else None
        if followed is not None:
            return followed
        # What is known from other frames is looked for once more at the end.
        return find_faces(at.upright, at.glance, thorough=not any(found.values()))

    def _name(self, n: int, faces: list[FaceFigures], frames: Sequence[Frame]) -> None:
        """Say whose faces those of a frame are, and look once more for those that lack."""
        look = self.looks[n]
        missed = []
        for m, person in enumerate(self.people):
            own = person.faces.get(n)
            if own is None:
                missed.append(m)
            else:
                look.faces[m] = next(f for f in faces if f.seen is own)
        if not missed:
            return
        at = self._opened(frames[n])
        for m in missed:
            known = [f.seen for f in look.faces.values()]
            seen = look_again(at.upright, at.glance, known, self.people[m].nearest(n))
            if seen is not None:
                look.faces[m] = at.face(seen)
                self.people[m].faces[n] = seen

    def _opened(self, frame: Frame) -> _Open:
        upright = _upright(frame)
        glance = self._glancer(upright)
        few = sampled_planes(upright.planes, glance.factor)
        single = turn(planes_to_rgb(few, upright.encoding), upright.quarter_turns)
        return _Open(upright, glance, detail(upright, _own(glance), glance.factor), single)


def _own(glance: Glance) -> Tensor:
    """The matte that is measured in: without walls and lamps, where anything is left then."""
    if glance.inner is None or glance.inner.sum() < _LEFT * glance.alpha.sum():
        return glance.alpha
    return glance.inner


def _upright(frame: Frame) -> Upright:
    frame = frame.on_host()
    return Upright(frame.planes, frame.encoding, frame.quarter_turns)


def _look(at: _Open, before: Glance | None) -> Look:
    """What a frame shows, but for the faces."""
    glance = at.glance
    whole = wholeness(glance.alpha)
    moved = None
    if before is not None and before.shown.shape == glance.shown.shape:
        far = motion(before.shown, glance.shown, before.alpha, glance.alpha)
        moved = far * glance.factor / max(glance.size)
    sharp = sharpness(at.detail) if whole.somebody else None
    exposed = exposure(at.sampled_enc, glance.alpha) if whole.somebody else None
    light = glance.screen_light, glance.plate_stops
    return Look(glance.size, glance.screen_found, whole, sharp, exposed, moved, *light)
