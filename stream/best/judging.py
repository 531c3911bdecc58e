"""What speaks against a frame, in plain words and in weights, held against the other frames.

A weight of 1 is about what anybody notices when two frames lie side by side. What nobody would
take home (shut eyes, a head turned away, a subject cut off, a smear) is a gross fault and weighs
more than all small ones together. The numbers here were chosen on bursts of rendered portraits, as
the tests make them.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from stream.best.looking import FaceFigures, Look
from stream.best.matching import Person, called
from stream.best.measuring import OwnEyes, Reference, face_or_all, stops

GROSS = 10.0
"""What a gross fault weighs beside its own size."""

_SOFT, _SMEARED = 0.78, 0.45
"""Shares of the sharpest frame's detail: below one it is seen, below the other it is gross."""
_DIRECTED = 1.6
"""Where one direction keeps so many times as much detail as another, something moved."""
_FAST, _MOVED = 2.0, 0.003
"""So many times as far as usual, and so many frame widths at least, is a movement."""
_HALF_SHUT, _SHUT = 0.85, 0.62
_TURNED, _ASKEW, _AWAY = 8.0, 12.0, 25.0
"""Degrees further to a side than where the person faces the camera most."""
_NODDED = 15.0
_CUT, _CUT_OFF = 0.02, 0.08
"""Shares of the frame's edge that the subject touches beyond what it touches in other frames."""
_STOPS, _FAR_STOPS = 0.3, 1.0
_CLIPPED, _BURNT = 0.02, 0.2
_HOLED, _THINNED = 0.06, 0.1


@dataclass(frozen=True)
class Remark:
    """One thing that speaks against a frame.

    Attributes:
        words: for people; empty where it is too small to be told.
        weight: how much it counts.
    """

    words: str
    weight: float


def _graded(size: float, gross: bool, words: str, told: bool = True) -> Remark:
    return Remark(words if told or gross else "", size + (GROSS if gross else 0.0))


def _named(words: str, people: Sequence[Person], n: int) -> str:
    name = called(people, n)
    return f"{words} ({name})" if name else words


def _share(look: Look, ref: Reference) -> float:
    """The share of the sharpest frame's detail that a frame shows, faces before all else."""
    if look.sharp is None or ref.sharp is None:
        return 1.0
    body = min(look.sharp.share_of(ref.sharp), 1.0)
    faces = [
        min(face.sharp.share_of(own.sharp), 1.0)
        for n, own in enumerate(ref.people)
        if own.sharp and (face := look.faces.get(n)) and face.sharp
    ]
    return body if not faces else body**0.4 * min(faces) ** 0.6


def _directed(look: Look, ref: Reference) -> float:
    found = [1.0]
    if look.sharp is not None and ref.sharp is not None:
        found.append(look.sharp.direction_of(ref.sharp))
    for n, own in enumerate(ref.people):
        face = look.faces.get(n)
        if face is not None and face.sharp is not None and own.sharp is not None:
            found.append(face.sharp.direction_of(own.sharp))
    return max(found)


def _sharpness(look: Look, ref: Reference) -> list[Remark]:
    share = _share(look, ref)
    fast = look.moved is not None and look.moved > max(_FAST * ref.moved, _MOVED)
    moved = _directed(look, ref) > _DIRECTED or fast
    words = "blurred by movement" if moved else "out of focus"
    if share >= _SMEARED:
        words = f"a little {words}"
    size = 2 * math.log2(1 / max(share, 0.01))
    return [_graded(size, share < _SMEARED, words, share < _SOFT)]


def _lost(look: Look, ref: Reference) -> Remark | None:
    """Why a frame cannot be judged as the others are; None where it can."""
    if ref.screen and not look.screen_found:
        return _graded(GROSS, True, "no screen found")
    if ref.somebody and not look.whole.somebody:
        return _graded(GROSS, True, "nobody in it")
    return None


def _matte(look: Look, ref: Reference) -> list[Remark]:
    whole = look.whole
    sides = (whole.left - ref.left) + (whole.right - ref.right) + (whole.top - ref.top)
    below = whole.bottom - ref.bottom if ref.bottom < _CUT else 0.0
    cut = sides + below / 2
    gone = 1 - whole.coverage / max(ref.coverage, 1e-6)
    off = cut > _CUT_OFF or (cut > _CUT and gone > 0.25)
    holes, thin = whole.holes - ref.holes, whole.thin - ref.thin
    return [
        _graded(10 * max(cut, 0.0), off, "cut off by the frame", cut > _CUT),
        _graded(4 * max(holes, 0.0), False, "holes in the cut-out", holes > _HOLED),
        _graded(2 * max(thin, 0.0), False, "half-transparent in many places", thin > _THINNED),
    ]


def _off(look: Look, ref: Reference, middle: float) -> float:
    """How many stops brighter a frame is than it should be.

    The plate was taken in the light that was set up. Without one the frames in the middle count:
    by the screen, which is the same in all of them, or by the subject, whichever is farther off.
    """
    if look.plate_stops is not None:
        return look.plate_stops
    found = [stops(middle, ref.middle)]
    if look.screen_light and ref.screen_light:
        found.append(math.log2(look.screen_light / ref.screen_light))
    return max(found, key=abs)


def _exposure(look: Look, ref: Reference) -> list[Remark]:
    if look.exposed is None:
        return []
    where = " in the face" if look.faces else ""
    off = _off(look, ref, look.exposed.middle)
    parts = face_or_all(look)
    clipped = max(max(p.clipped for p in parts) - ref.clipped, 0.0)
    black = max(look.exposed.black - ref.black, 0.0)
    bright = off > 0
    burnt = clipped > _BURNT or (bright and off > _FAR_STOPS)
    words = f"too bright{where}" if bright or clipped > _CLIPPED else "too dark"
    told = abs(off) > _STOPS or clipped > _CLIPPED
    far = burnt or off < -_FAR_STOPS
    if told and not far:
        words = words.replace("too", "a little too")
    return [_graded(abs(off) + 8 * clipped + 2 * black, far, words, told)]


def _face(face: FaceFigures, own: OwnEyes) -> Remark:
    """What speaks against one face."""
    seen = face.seen
    aside = abs(seen.aside - own.aside)
    nod = abs(seen.nod - own.nod)
    if aside > _AWAY:
        # Of an eye that is seen from the side nobody can say how far it is open.
        return _graded(aside / 10, True, "head turned away")
    left, right = seen.open_left / max(own.left, 0.02), seen.open_right / max(own.right, 0.02)
    # Of a head that is turned the farther eye looks narrow.
    open_share = max(left, right) if aside > _ASKEW else min(left, right)
    shut = open_share < _SHUT
    eyes = 3 * max(1 - open_share - 0.05, 0.0)
    head = aside / 20 + max(nod - 5, 0.0) / 20
    if shut:
        one = max(left, right) >= _HALF_SHUT
        return _graded(eyes + head, True, "one eye shut" if one else "eyes shut")
    if eyes >= head:
        told = open_share < _HALF_SHUT
        return _graded(eyes + head, False, "eyes half shut", told)
    words = "head a little turned" if aside > _TURNED else "head down or up"
    return _graded(eyes + head, False, words, aside > _TURNED or nod > _NODDED)


def _faces(look: Look, ref: Reference, people: Sequence[Person]) -> list[Remark]:
    if not look.looked:
        return []
    out = []
    for n, own in enumerate(ref.people):
        face = look.faces.get(n)
        if face is None:
            # Turned away, covered, or out of the picture: in other frames it is seen.
            out.append(_graded(2.0, True, _named("face not to be seen", people, n)))
            continue
        remark = _face(face, own)
        out.append(Remark(_named(remark.words, people, n) if remark.words else "", remark.weight))
    return out


def against(look: Look, ref: Reference, people: Sequence[Person]) -> list[Remark]:
    """What speaks against a frame, the heaviest first.

    Args:
        look: what it shows.
        ref: what it is held against.
        people: who is in the burst.
    """
    lost = _lost(look, ref)
    if lost is not None:
        return [lost]
    parts: tuple[Callable[[Look, Reference], list[Remark]], ...] = (_sharpness, _matte, _exposure)
    found = [remark for part in parts for remark in part(look, ref)]
    found += _faces(look, ref, people)
    return sorted(found, key=lambda r: -r.weight)
