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
    """

    x: float
    y: float
    side: float
    open_left: float
    open_right: float
    aside: float
    nod: float


def _subject_squares(glance: Glance) -> list[Region]:
    """Where faces are looked for, in pixels of the frame: around the subject, then its upper half.

    A face is the smaller, the more of a person is seen, and heads are above.
    """
    seen = (glance.alpha[0, 0] > 0.5).nonzero()
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


def _read(frame: Upright, face: Face) -> SeenFace | None:
    """What the landmarks of a detected face say; None where they see no face."""
    flat, sure = mesh()(face.region.cut_frame(frame, MESH_SIDE))
    if float(sure[0]) <= _SURE_LOGIT:
        return None
    points = _points(MESH_SIDE, face.region, flat, MESH_POINTS)
    openings = [
        opening(_points(EYE_SIDE, r, eye()(r.cut_frame(frame, EYE_SIDE))[0], EYE_POINTS))
        for r in eye_regions(points)
    ]
    aside, nod = turn_of_head(points)
    unit = max(frame.size)
    place = face.x / unit, face.y / unit, face.side / unit
    return SeenFace(*place, openings[0], openings[1], aside, nod)


def _new(face: Face, known: Iterable[SeenFace], unit: int) -> bool:
    x, y, side = face.x / unit, face.y / unit, face.side / unit
    return all(math.hypot(x - k.x, y - k.y) > _ONE * max(side, k.side) for k in known)


def find_faces(frame: Upright, glance: Glance) -> list[SeenFace]:
    """The faces of a frame's subject; the surest first.

    Args:
        frame: at full size, on the CPU.
        glance: the same frame, seen small.
    """
    found: list[SeenFace] = []
    for window in _subject_squares(glance):
        for face in _detected(glance, window):
            if _new(face, found, max(frame.size)) and (seen := _read(frame, face)) is not None:
                found.append(seen)
        if found:
            break
    return found


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
    for face in _detected(glance, window):
        if _new(face, known, unit) and (seen := _read(frame, face)) is not None:
            return seen
    return None
