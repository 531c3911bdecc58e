"""What the frames of a burst are held against: the same people in the other frames."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from statistics import mean, median

from models.exposure import Exposure
from models.sharpness import Sharpness
from stream.best.looking import Look
from stream.best.matching import Person

_UPPER_SHARE = 1 / 3
"""chosen: what an eye is when open: the mean of this share of its widest openings in the burst. A
blink takes one to four tenths of a second (from memory): less than two thirds of a second's burst;
of eyes that are shut in all frames of a shorter one nothing is said."""
CLEAR = 0.45
"""Share of the sharpest frame's detail below which a frame is a smear."""
ASKEW = 12.0
"""Degrees to a side from which on an eye looks narrower or wider than it is."""
_THERE = 0.7
"""Share of the usual coverage below which somebody is leaving the frame."""
GAMMA = 2.2
"""Encoded luma to light, near enough to count in stops."""


def stops(encoded: float, of: float) -> float:
    """How many stops an encoded luma lies above another."""
    return GAMMA * math.log2(max(encoded, 0.01) / max(of, 0.01))


def _widest(values: Sequence[float]) -> float:
    """The mean of the upper ones."""
    count = max(1, round(len(values) * _UPPER_SHARE))
    return mean(sorted(values)[-count:])


@dataclass(frozen=True)
class OwnEyes:
    """A person as they look when they look well, by their own frames.

    Attributes:
        left: how far the eye on the picture's left is open.
        right: likewise.
        aside: degrees turned to a side where they face the camera most.
        nod: degrees up or down, in the middle of their frames.
        sharp: the sharpest that their face gets; None where it is too small.
    """

    left: float
    right: float
    aside: float
    nod: float
    sharp: Sharpness | None


@dataclass(frozen=True)
class Reference:
    """What one frame is held against.

    Attributes:
        count: how many frames there are.
        screen: whether any frame shows a screen.
        somebody: whether anybody is in any of them.
        sharp: the sharpest subject; None where there is none.
        middle: the subject's median luma, of frames in the middle.
        screen_light: that of the bare screen, linear; None where none is to be seen.
        clipped: the least share of the subject that is clipped.
        black: the least that is black.
        left: the least that the subject touches of the frame's left edge.
        right, top: likewise.
        bottom: the median of it: standing people are cut there in most frames, or in none.
        coverage: the median of it.
        holes: likewise.
        thin: likewise.
        moved: likewise.
        people: each person's own best.
    """

    count: int
    screen: bool
    somebody: bool
    sharp: Sharpness | None
    middle: float
    screen_light: float | None
    clipped: float
    black: float
    left: float
    right: float
    top: float
    bottom: float
    coverage: float
    holes: float
    thin: float
    moved: float
    people: tuple[OwnEyes, ...]


def _sharpest(found: Iterable[Sharpness | None]) -> Sharpness | None:
    return max((s for s in found if s is not None), key=lambda s: s.total, default=None)


def _own(looks: Sequence[Look], n: int, sharp: Sharpness | None) -> OwnEyes:
    there = [look for look in looks if n in look.faces]
    faces = [look.faces[n] for look in there]
    # Landmarks of a smear are guesses.
    clear = [
        look.faces[n].seen
        for look in there
        if sharp is not None and look.sharp is not None and look.sharp.share_of(sharp) >= CLEAR
    ]
    seen = clear or [f.seen for f in faces]
    aside = min((f.aside for f in seen), key=abs)
    towards = [f for f in seen if abs(f.aside - aside) <= ASKEW]
    return OwnEyes(
        _widest([f.open_left for f in towards]),
        _widest([f.open_right for f in towards]),
        aside,
        median(f.nod for f in seen),
        _sharpest(f.sharp for f in faces),
    )


def face_or_all(look: Look) -> list[Exposure]:
    """How the faces of a frame are exposed; where none is seen, how the subject is."""
    faces = [f.exposed for _, f in sorted(look.faces.items()) if f.exposed is not None]
    return faces or ([] if look.exposed is None else [look.exposed])


def reference(looks: Sequence[Look], people: Sequence[Person]) -> Reference:
    """What the frames of a burst are held against.

    Args:
        looks: what each frame shows; one at least.
        people: who is in them.
    """
    screen = any(look.screen_found for look in looks)
    # Of a frame that shows nobody, or no screen while others do, the rest says nothing.
    good = [k for k in looks if k.whole.somebody and (k.screen_found or not screen)]
    some = good or list(looks)
    exposed = [k.exposed for k in some if k.exposed is not None]
    sharp = _sharpest(k.sharp for k in some)
    light = [k.screen_light for k in some if k.screen_light is not None]
    whole = [k.whole for k in some]
    # Who has left the frame touches none of its edges.
    coverage = median(w.coverage for w in whole)
    there = [w for w in whole if w.coverage >= _THERE * coverage] or whole
    moved = [k.moved for k in some if k.moved is not None]
    return Reference(
        len(looks),
        screen,
        bool(good),
        sharp,
        median([e.middle for e in exposed] or [0.0]),
        median(light) if light else None,
        min([e.clipped for e in exposed] or [0.0]),
        min([e.black for e in exposed] or [0.0]),
        min(w.left for w in there),
        min(w.right for w in there),
        min(w.top for w in there),
        median(w.bottom for w in whole),
        coverage,
        median(w.holes for w in whole),
        median(w.thin for w in whole),
        median(moved or [0.0]),
        tuple(_own(looks, n, sharp) for n in range(len(people))),
    )
