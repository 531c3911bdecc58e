"""What speaks against a frame, in plain words and in weights, held against the other frames.

A weight of 1 is about what anybody notices when two frames lie side by side. What nobody would
take home (shut eyes, a head turned away, a subject cut off, a smear) is a gross fault and weighs
more than all small ones together. The numbers here were chosen on bursts of rendered portraits, as
the tests make them.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from statistics import mean

from stream.best.looking import FaceFigures, Look
from stream.best.matching import Person, called
from stream.best.measuring import ASKEW, CLEAR, GAMMA, OwnEyes, Reference, face_or_all, stops

GROSS = 10.0
"""What a gross fault weighs beside its own size."""

_SOFT = 0.68
"""Share of the sharpest frame's detail below which it is seen; below `CLEAR` it is gross."""
_DIRECTED = 1.6
"""Where one direction keeps so many times as much detail as another, something moved."""
_FAST, _MOVED = 2.0, 0.003
"""So many times as far as usual, and so many frame widths at least, is a movement."""
_HALF_SHUT, _SHUT, _ONE_SHUT = 0.82, 0.66, 0.5
"""Shares of the same person's own open eyes, both together; the last one of a single eye."""
_BLINK = 0.05
"""Least drop of an opening that is no noise: eyes that stay shut read up to so much apart."""
_TURNED, _AWAY = 8.0, 25.0
"""Degrees further to a side than where the person faces the camera most."""
_NODDED = 15.0
_CUT, _CUT_OFF = 0.02, 0.08
"""Shares of the frame's edge that the subject touches beyond what it touches in other frames."""
_STOPS, _FAR_STOPS = 0.3, 1.0
_SCREENS = 0.42, 0.6
"""Encoded luma that screens are lit to: about the middle of the signal (*common practice*)."""
_UNUSUAL = 0.6
_CLIPPED, _BURNT = 0.02, 0.2
_HOLED, _THINNED = 0.06, 0.1


@dataclass(frozen=True)
class Remark:
    """One thing that speaks against a frame.

    Attributes:
        words: for people; empty where it is too small to be told.
        weight: how much it counts.
        topic: one of `TOPICS`, or empty.
    """

    words: str
    weight: float
    topic: str = ""


TOPICS = ("sharp", "whole", "lit", "looking")
"""What frames are held against each other in: sharpness, the cut-out, exposure, eyes and head."""


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
    if share >= CLEAR:
        words = "a little blurred by movement" if moved else "a little soft"
    size = 2 * math.log2(1 / max(share, 0.01))
    return [_graded(size, share < CLEAR, words, share < _SOFT)]


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


def _unusual(look: Look) -> float:
    """How many stops the bare screen lies outside of where screens are exposed."""
    if look.plate_stops is not None or not look.screen_light:
        return 0.0
    low, high = (encoded**GAMMA for encoded in _SCREENS)
    return max(math.log2(low / look.screen_light), math.log2(look.screen_light / high), 0.0)


def _exposure(look: Look, ref: Reference) -> list[Remark]:
    if look.exposed is None:
        return []
    where = " in the face" if look.faces else ""
    off = _off(look, ref, look.exposed.middle)
    parts = face_or_all(look)
    clipped = max(max(p.clipped for p in parts) - ref.clipped, 0.0)
    black = max(look.exposed.black - ref.black, 0.0)
    bright = off > 0
    # Two frames have no middle: each is as far from it as the other.
    known = look.plate_stops is not None or ref.count > 2
    words = f"too bright{where}" if bright or clipped > _CLIPPED else "too dark"
    told = abs(off) > _STOPS or clipped > _CLIPPED
    far = clipped > _BURNT or (known and abs(off) > _FAR_STOPS)
    if told and not far:
        words = words.replace("too", "a little too")
    size = abs(off) + 8 * clipped + 2 * black
    return [_graded(size + _UNUSUAL * _unusual(look), far, words, told)]


def _eyes(face: FaceFigures, own: OwnEyes, aside: float) -> Remark:
    """What speaks against the eyes of one face."""
    seen = face.seen
    shares = [seen.open_left / max(own.left, 0.02), seen.open_right / max(own.right, 0.02)]
    drops = [own.left - seen.open_left, own.right - seen.open_right]
    if aside > ASKEW:
        # Of a head that is turned the farther eye looks narrow.
        nearer = max((0, 1), key=lambda n: shares[n])
        shares, drops = [shares[nearer]] * 2, [drops[nearer]] * 2
    share, drop = mean(shares), mean(drops)
    # What is within the noise of an eye that nobody saw open is no blink.
    size = 3 * max(1 - share - 0.05, 0.0) * min(max(drop, 0.0) / _BLINK, 1.0)
    if share < _SHUT and drop > _BLINK:
        return _graded(size, True, "eyes shut")
    if min(shares) < _ONE_SHUT and max(drops) > 2 * _BLINK and max(shares) > _HALF_SHUT:
        return _graded(size, True, "one eye shut")
    return _graded(size, False, "eyes half shut", share < _HALF_SHUT and drop > _BLINK)


def _face(face: FaceFigures, own: OwnEyes) -> list[Remark]:
    """What speaks against one face."""
    aside = abs(face.seen.aside - own.aside)
    nod = abs(face.seen.nod - own.nod)
    if aside > _AWAY:
        # Of eyes that are seen from the side nobody can say how far they are open.
        return [_graded(aside / 10, True, "head turned away")]
    words = "head a little turned" if aside > _TURNED else "head down or up"
    told = aside > _TURNED or nod > _NODDED
    head = _graded(aside / 20 + max(nod - 5, 0.0) / 20, False, words, told)
    return [_eyes(face, own, aside), head]


def _faces(look: Look, ref: Reference, people: Sequence[Person]) -> list[Remark]:
    if not look.looked or _share(look, ref) < CLEAR:
        # Landmarks of a smear are guesses.
        return []
    out = []
    for n, own in enumerate(ref.people):
        face = look.faces.get(n)
        if face is None:
            # Turned away, covered, or out of the picture: in other frames it is seen.
            out.append(_graded(2.0, True, _named("face not to be seen", people, n)))
            continue
        for remark in _face(face, own):
            words = _named(remark.words, people, n) if remark.words else ""
            out.append(Remark(words, remark.weight))
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
    told = [*(part(look, ref) for part in parts), _faces(look, ref, people)]
    found = [replace(r, topic=t) for t, part in zip(TOPICS, told, strict=True) for r in part]
    return sorted(found, key=lambda r: -r.weight)
