"""Where a screen ends before the picture does, and whether the subject stands across its border."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

import torch
from torch import Tensor

from models.evenness import Place
from models.pyramid import grow

_LONG = 0.35
"""chosen: an arm that leaves the picture takes less of a side, a wall beside the screen more."""


class Side(Enum):
    """A side of the upright picture."""

    LEFT = "left"
    RIGHT = "right"
    TOP = "top"
    BOTTOM = "bottom"


@dataclass(frozen=True)
class Reach:
    """Where the screen does not fill the picture.

    Attributes:
        sides: along which it ends early.
        touched_at: where the subject crosses the screen's border; None where it does not.
        where: (1, 1, h, w) float in cells, 1 beyond the screen.
    """

    sides: tuple[Side, ...]
    touched_at: Place | None
    where: Tensor


def _toward(cells: Tensor, side: Side) -> Tensor:
    """Cells (h, w) as (side's length, depth), depth counted from the side inward."""
    match side:
        case Side.LEFT:
            return cells
        case Side.RIGHT:
            return cells.flip(1)
        case Side.TOP:
            return cells.T
        case Side.BOTTOM:
            return cells.flip(0).T


def _back(view: Tensor, side: Side) -> Tensor:
    """The reverse of `_toward`."""
    return view.T.flip(0) if side is Side.BOTTOM else _toward(view, side)


def _longest(line: Tensor) -> float:
    """The longest run of ones, as a share of the line."""
    best = run = 0
    for value in line.tolist():
        run = run + 1 if value > 0 else 0
        best = max(best, run)
    return best / max(1, len(line))


def _ends(view: Tensor, side: Side) -> bool:
    """Whether it is the screen that ends on a side, and not somebody who leaves the picture.

    People come in from below: a wall beside the screen begins at the top, and a floor is equally
    deep under most of the picture, as shoulders are not.
    """
    edge = view[:, 0]
    if _longest(edge) < _LONG:
        return False
    if side in (Side.LEFT, Side.RIGHT):
        return bool(edge[0] > 0)
    if side is Side.TOP:
        return True
    depth = view.cumprod(1).sum(1)
    middle = float(depth.median())
    level = (depth - middle).abs() <= 1 + 0.1 * middle
    return float(edge.mean()) > 0.97 and float(level.float().mean()) > 0.5


def _strip(other: Tensor, side: Side) -> Tensor:
    """What lies beyond the screen on one side, the subject that reaches into it left out."""
    view = _toward(other[0, 0], side)
    depth = view.cumprod(1).sum(1)
    have = depth[depth > 0]
    # Most of the side is border and not subject, so that its middle depth is the border's own.
    limit = int(float(have.median()) * 1.25) + 1
    inside = torch.arange(view.shape[1], device=view.device)[None] < depth.clamp_max(limit)[:, None]
    return _back(inside.to(other.dtype), side)[None, None]


def reach(other: Tensor, border: Tensor | None) -> Reach:
    """Tell what is beyond the screen from the subject before it.

    Args:
        other: (1, 1, h, w) float in cells, 1 where the frame shows no screen.
        border: the same of the clean plate, which knows; None where there is none.

    Returns:
        The sides, and whether the subject crosses the border.
    """
    sides = []
    where = torch.zeros_like(other) if border is None else border
    for side in Side:
        if border is not None:
            if _longest(_toward(border[0, 0], side)[:, 0]) >= _LONG:
                sides.append(side)
        elif _ends(_toward(other[0, 0], side), side):
            sides.append(side)
            where = torch.maximum(where, _strip(other, side))
    subject = other * (1 - where)
    met = subject * grow(where, 1)
    touched = None
    if sides and float(met.sum()) > 0:
        rows, columns = met[0, 0].nonzero().float().mean(0).tolist()
        height, width = met.shape[-2:]
        touched = Place((columns + 0.5) / width, (rows + 0.5) / height, 1.0)
    return Reach(tuple(sides), touched, where)
