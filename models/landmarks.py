"""What the landmarks of a face say: how far the eyes are open, how far the head is turned.

The opening of an eye is its height over its width: Soukupova and Cech, "Real-Time Eye Blink
Detection using Facial Landmarks", 21st Computer Vision Winter Workshop, 2016 (the eye aspect
ratio); here over seven pairs of lid points in place of two. People's eyes differ, so openings are
to be compared with those of the same person.

The points are those of a mesh of 468 (Kartynnik, Ablavatski, Grishchenko, Grundmann, "Real-time
Facial Surface Geometry from Monocular Video on Mobile GPUs", CVPR Workshop on Computer Vision for
Augmented and Virtual Reality, 2019) and of an eye's 71 (Ablavatski, Vakunov, Grishchenko,
Raveendran, Zhdanovich, "Real-time Pupil Tracking from Monocular Video for Digital Puppetry", the
same workshop, 2020). Their numbers are those of the published models.
"""

from __future__ import annotations

import math

import torch
from torch import Tensor

from models.errors import ShapeError
from models.region import Region

MESH_SIDE = 192
"""Pixels a side that the mesh is looked for in."""
MESH_POINTS = 468
EYE_SIDE = 64
EYE_POINTS = 71
# Corners of the eyes in the mesh: the one on the picture's left first, in each its left one first.
_CORNERS = ((33, 133), (362, 263))
_EYE_MARGIN = 2.3
# The mesh's outermost points: left and right before the ears, forehead and chin.
_LEFT, _RIGHT, _UPPER, _LOWER = 234, 454, 10, 152
# Of an eye's points: its lower lid from corner to corner, and the upper lid between them.
_LIDS = 9


def _points(points: Tensor, count: int, name: str) -> Tensor:
    if points.shape != (count, 3):
        raise ShapeError(f"{name}: got {tuple(points.shape)}; need ({count}, 3)")
    return points.float()


def eye_regions(mesh: Tensor) -> tuple[Region, Region]:
    """Where the eyes are to be looked for: the one on the picture's left first.

    The other is mirrored, since the network knows one side only.

    Args:
        mesh: (468, 3) float, x and y in pixels of the picture.

    Raises:
        ShapeError: another number of points.
    """
    flat = _points(mesh, MESH_POINTS, "eye_regions")[:, :2]
    found = []
    for (first, last), mirrored in zip(_CORNERS, (False, True), strict=True):
        (x, y), (dx, dy) = (
            ((flat[first] + flat[last]) / 2).tolist(),
            (flat[last] - flat[first]).tolist(),
        )
        side = _EYE_MARGIN * math.hypot(dx, dy)
        found.append(Region(x, y, max(side, 1.0), math.atan2(dy, dx), mirrored))
    return found[0], found[1]


def opening(eye: Tensor) -> float:
    """How far an eye is open: its mean height as a share of its width.

    Args:
        eye: (71, 3) float, at any scale.

    Raises:
        ShapeError: another number of points.
    """
    flat = _points(eye, EYE_POINTS, "opening")[:, :2]
    lower, upper = flat[1 : _LIDS - 1], flat[_LIDS : 2 * _LIDS - 2]
    width = (flat[_LIDS - 1] - flat[0]).norm().clamp_min(1e-6)
    return float((upper - lower).norm(dim=1).mean() / width)


def turn_of_head(mesh: Tensor) -> tuple[float, float]:
    """How far a head is turned from the camera.

    Args:
        mesh: (468, 3) float, x, y and depth in one unit, smaller depth nearer.

    Returns:
        Degrees to the side, positive towards the picture's left, and degrees up or down, positive
        down; roughly right, and to be compared with those of the same person.

    Raises:
        ShapeError: another number of points.
    """
    points = _points(mesh, MESH_POINTS, "turn_of_head")
    across, down = points[_RIGHT] - points[_LEFT], points[_LOWER] - points[_UPPER]
    flat = torch.stack([across[:2].norm(), down[:2].norm()]).clamp_min(1e-6)
    aside = math.degrees(math.atan2(float(across[2]), float(flat[0])))
    nod = math.degrees(math.atan2(float(down[2]), float(flat[1])))
    return aside, nod
