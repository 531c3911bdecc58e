"""Faces in one frame: where they are, how far their eyes are open, where they look."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import torch
from torch import Tensor

from models.face import SIDE, Face, faces_in
from models.glance import Glance
from models.landmarks import (
    EYE_POINTS,
    EYE_SIDE,
    MESH_POINTS,
    MESH_SIDE,
    eye_regions,
    opening,
    turn_of_head,
)
from models.region import Region
from models.upright import Upright
from stream.best.networks import detector, eye, mesh

_SURE_LOGIT = 0.0
"""The mesh's own word for whether it looks at a face: more likely than not."""
_FOLLOWED_LOGIT = 10.0
_SHIFTED = 0.35
"""chosen: where a face that is followed went by up to half of its side, the mesh still lies on it
and is surer than this (13 and more); on hair and cloth it was never surer than 9. A face that went
farther than a third is looked for anew."""
_ROOM = 1.15
_WIDER = 3.0
"""A face that is looked for again is looked for in a square so many times as large."""
_ONE = 0.5
"""Middles nearer than this share of a face's side are one face."""


@dataclass(frozen=True)
class SeenFace:
    """A face in a frame; lengths are shares of the upright frame's longer side.

    Attributes:
        x: its middle, from the left edge.
        y: likewise, from the upper edge.
        side: of the square from brow to chin.
        open_left: how far the eye on the picture's left is open; see `models.landmarks.opening`.
        open_right: likewise.
        aside: degrees turned to a side, as `models.landmarks.turn_of_head`.
        nod: degrees turned up or down.
        tilt: clockwise angle of the line through the eyes, in radians.
    """

    x: float
    y: float
    side: float
    open_left: float
    open_right: float
    aside: float
    nod: float
    tilt: float = 0.0


def _subject_squares(glance: Glance) -> list[Region]:
    """Where faces are looked for, one after the other until there are some."""
    found = [] if glance.inner is None else _squares(glance, glance.inner)
    return found + [r for r in _squares(glance, glance.alpha) if r not in found]


def _squares(glance: Glance, alpha: Tensor) -> list[Region]:
    """Squares in pixels of the frame: around a subject, then in its upper half.

    A face is the smaller, the more of a person is seen, and heads are above.
    """
    seen = (alpha[0, 0] > 0.5).nonzero()
    if not len(seen):
        return []
    (top, left), (bottom, right) = (
        [v * glance.factor for v in x.tolist()] for x in (seen.amin(0), seen.amax(0) + 1)
    )
    height, width = bottom - top, right - left
    whole = Region((left + right) / 2, (top + bottom) / 2, _ROOM * max(height, width))
    half = _ROOM * height / 2
    upper = top + height / 4
    count = max(1, math.ceil(width / half * 1.5))
    step = (width - half) / max(count - 1, 1)
    # Where it is narrow, one square in its middle; else some side by side that overlap.
    places = [left + half / 2 + n * step for n in range(count)] if count > 1 else [whole.x]
    return [whole, *(Region(x, upper, half) for x in places)]


def _detected(glance: Glance, window: Region) -> list[Face]:
    finer = window.scaled(1 / glance.finer_factor)
    scores, places = detector()(finer.cut(glance.finer_enc, SIDE) * 2 - 1)
    return faces_in(scores, places.view(-1, 16), window)


def _points(network_side: int, region: Region, flat: Tensor, count: int) -> Tensor:
    """A network's points in pixels of the frame; depth in the same unit."""
    points = flat.view(count, 3) / network_side
    return torch.cat([region.to_picture(points[:, :2]), points[:, 2:] * region.side], 1)


def _read(frame: Upright, region: Region, least: float = _SURE_LOGIT) -> SeenFace | None:
    """What the landmarks of a face say; None where they see no face.

    Args:
        frame: at full size.
        region: where to look: half as large again as from brow to chin.
        least: how sure the mesh must be.
    """
    flat, sure = mesh()(region.cut_frame(frame, MESH_SIDE))
    if float(sure[0]) <= least:
        return None
    points = _points(MESH_SIDE, region, flat, MESH_POINTS)
    eyes = eye_regions(points)
    openings = [
        opening(_points(EYE_SIDE, r, eye()(r.cut_frame(frame, EYE_SIDE))[0], EYE_POINTS))
        for r in eyes
    ]
    aside, nod = turn_of_head(points)
    unit = max(frame.size)
    low, high = points[:, :2].amin(0), points[:, :2].amax(0)
    x, y = ((low + high) / (2 * unit)).tolist()
    side = float((high - low).max()) / unit
    tilt = math.atan2(eyes[1].y - eyes[0].y, eyes[1].x - eyes[0].x)
    return SeenFace(x, y, side, openings[0], openings[1], aside, nod, tilt)


def _new(x: float, y: float, side: float, known: Iterable[SeenFace]) -> bool:
    """Whether a place is not that of a known face; in shares of the frame's longer side."""
    return all(math.hypot(x - k.x, y - k.y) > _ONE * max(side, k.side) for k in known)


def _added(frame: Upright, faces: Iterable[Face], known: list[SeenFace]) -> None:
    """Read those of the detected faces that are not known, and add them."""
    unit = max(frame.size)
    for face in faces:
        if _new(face.x / unit, face.y / unit, face.side / unit, known):
            seen = _read(frame, face.region)
            if seen is not None and _new(seen.x, seen.y, seen.side, known):
                known.append(seen)


def find_faces(frame: Upright, glance: Glance, thorough: bool = True) -> list[SeenFace]:
    """The faces of a frame's subject; the surest first.

    Args:
        frame: at full size, on the CPU.
        glance: the same frame, seen small.
        thorough: where none is found, look in smaller and smaller parts of the subject.
    """
    found: list[SeenFace] = []
    for window in _subject_squares(glance):
        _added(frame, _detected(glance, window), found)
        if found or not thorough:
            break
    return found


def follow_faces(frame: Upright, before: Iterable[SeenFace]) -> list[SeenFace] | None:
    """The faces of the frame before, at or near their places there: a third of the work.

    Args:
        frame: at full size, on the CPU.
        before: the faces of the frame before.

    Returns:
        None where any of them is gone from its place, or there was none: `find_faces` then.
    """
    unit = max(frame.size)
    found: list[SeenFace] = []
    for face in before:
        place = Region(face.x * unit, face.y * unit, 1.5 * face.side * unit, face.tilt)
        seen = _read(frame, place, _FOLLOWED_LOGIT)
        if seen is None or not _new(seen.x, seen.y, seen.side, found):
            return None
        if math.hypot(seen.x - face.x, seen.y - face.y) > _SHIFTED * face.side:
            return None
        found.append(seen)
    return found or None


def look_again(
    frame: Upright, glance: Glance, known: Sequence[SeenFace], where: SeenFace
) -> SeenFace | None:
    """Look for one more face, near where it is in another frame.

    Args:
        frame, glance: as in `find_faces`.
        known: the faces of this frame that were found already.
        where: the face, in another frame.
    """
    unit = max(frame.size)
    window = Region(where.x * unit, where.y * unit, _WIDER * where.side * unit)
    found = list(known)
    _added(frame, _detected(glance, window), found)
    new = [f for f in found if f not in known]
    return min(new, key=lambda f: math.hypot(f.x - where.x, f.y - where.y), default=None)
