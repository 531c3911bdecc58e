"""Faces in what a detector gives: places from its anchors, those of one face joined into one.

Source: Bazarevsky, Kartynnik, Vakunov, Raveendran, Grundmann, "BlazeFace: Sub-millisecond Neural
Face Detection on Mobile GPUs", CVPR Workshop on Computer Vision for Augmented and Virtual Reality,
2019 (a grid of anchors of unit size; overlapping places are averaged by score, not dropped).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import torch
from torch import Tensor

from models.errors import ShapeError
from models.region import Region

SIDE = 256
"""Pixels a side that the detector looks at."""
# Strides of the detector's grids, and anchors at each of their places, as it was published.
_GRIDS = ((16, 2), (32, 6))
_SURE = 0.5
"""Least score of a face."""
_SAME = 0.3
"""Places that overlap by this share of their union are one face."""
_MOST_LOGIT = 80.0


@dataclass(frozen=True)
class Face:
    """Where a face is, in pixels of its picture.

    Attributes:
        score: how sure it is, 0 to 1.
        x: middle of its box, which reaches from brow to chin.
        y: likewise.
        side: of the box, which is square.
        tilt: clockwise angle of the line through the eyes, in radians.
    """

    score: float
    x: float
    y: float
    side: float
    tilt: float

    @property
    def region(self) -> Region:
        """Where landmarks are looked for: the box half as large again, upright to the eyes."""
        return Region(self.x, self.y, 1.5 * self.side, self.tilt)


def _anchors() -> Tensor:
    places = []
    for stride, each in _GRIDS:
        count = SIDE // stride
        at = (torch.arange(count) + 0.5) / count
        rows, columns = torch.meshgrid(at, at, indexing="ij")
        grid = torch.stack([columns, rows], -1).view(-1, 1, 2)
        places.append(grid.expand(-1, each, 2).reshape(-1, 2))
    return torch.cat(places)


_ANCHORS = _anchors()


def _overlap(one: Tensor, others: Tensor) -> Tensor:
    """Intersection over union of a square (x, y, side) with (N, 3) others."""
    low = torch.maximum(one[:2] - one[2] / 2, others[:, :2] - others[:, 2:] / 2)
    high = torch.minimum(one[:2] + one[2] / 2, others[:, :2] + others[:, 2:] / 2)
    both = (high - low).clamp_min(0).prod(1)
    return both / (one[2].square() + others[:, 2].square() - both).clamp_min(1e-12)


def faces_in(scores: Tensor, places: Tensor, window: Region) -> list[Face]:
    """The faces that a detector found.

    Args:
        scores: (N,) float, as it gives them, before the logistic curve; N anchors.
        places: (N, 16) float, in pixels of what it looked at, from the anchor: middle (x, y), size
            (width, height), then six points (x, y) of which the first two are the eyes.
        window: what it looked at.

    Returns:
        In pixels of the picture that ``window`` is of; the surest first.

    Raises:
        ShapeError: another number of anchors.
    """
    if scores.shape != _ANCHORS.shape[:1] or places.shape != (len(_ANCHORS), 16):
        raise ShapeError(
            f"faces_in: got {tuple(scores.shape)} scores and {tuple(places.shape)} places; need "
            f"those of {len(_ANCHORS)} anchors"
        )
    score = scores.float().clamp(-_MOST_LOGIT, _MOST_LOGIT).sigmoid()
    sure = (score > _SURE).nonzero()[:, 0]
    sure = sure[score[sure].argsort(descending=True, stable=True)]
    pairs = places.float()[sure].view(-1, 8, 2) / SIDE
    points = pairs + _ANCHORS[sure][:, None]
    sides = pairs[:, 1].amax(1, keepdim=True)
    squares = torch.cat([points[:, 0], sides], 1)
    left = sides[:, 0] > 0
    found = []
    for n in range(len(sure)):
        if not bool(left[n]):
            continue
        same = left & (_overlap(squares[n], squares) > _SAME)
        same[n] = True
        left = left & ~same
        weight = score[sure][same][:, None]
        x, y, side = ((squares[same] * weight).sum(0) / weight.sum()).tolist()
        eyes = (points[same][:, 2:4] * weight[..., None]).sum(0) / weight.sum()
        middle = window.to_picture(torch.tensor([[x, y]]))[0].tolist()
        across = (window.to_picture(eyes)[1] - window.to_picture(eyes)[0]).tolist()
        found.append(
            Face(
                float(score[sure[n]]),
                middle[0],
                middle[1],
                side * window.side,
                math.atan2(across[1], across[0]),
            )
        )
    return found
