"""A clean plate laid on a frame whose camera moved a little since.

Shift, turn and scale are estimated by least squares on the pictures' fine detail, over what looks
the same in both, screen and surroundings alike. A screen without detail cannot tell, and neither
needs it: then the plate stays where it is.

Sources: Lucas and Kanade, "An Iterative Image Registration Technique", IJCAI 1981, with the shift
extended to a similarity; Tukey's biweight against what differs (Beaton and Tukey, 1974).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import torch
from torch import Tensor
from torch.nn import functional

from models.plate import Plate
from models.pyramid import enlarge, grow, pool, shrink, soften

_MOST_SHIFT, _MOST_TURN = 0.03, 0.03
"""chosen: beyond 3 % of the frame, 1.7 degrees or 3 % of the size it is another position, which
wants a new plate, or an error."""
_GAIN = 0.8
"""chosen: what remains of the difference must fall to this, or the move is noise's."""


@dataclass(frozen=True)
class Move:
    """How a picture lies on another: about the middle, in parts of the longest side.

    Attributes:
        right, down: shift.
        turn: in radians.
        grow: scale less one.
    """

    right: float = 0.0
    down: float = 0.0
    turn: float = 0.0
    grow: float = 0.0


def moved(x: Tensor, move: Move) -> Tensor:
    """Sample a picture as ``move`` says: the value at p comes from p turned, scaled and shifted.

    Args:
        x: (B, C, H, W) float.
        move: the move.

    Returns:
        Same shape; beyond the picture its edge is repeated. A new tensor.
    """
    height, width = x.shape[-2:]
    side = max(height, width)
    across, down = width / side, height / side
    # In affine_grid's units a half side is 1, whatever its length.
    theta = x.new_tensor(
        [
            [1 + move.grow, -move.turn * down / across, 2 * move.right / across],
            [move.turn * across / down, 1 + move.grow, 2 * move.down / down],
        ]
    )
    at = functional.affine_grid(theta[None], [1, 1, height, width], align_corners=False)
    at = at.expand(x.shape[0], -1, -1, -1)
    return functional.grid_sample(x, at, "bicubic", "border", align_corners=False)


def find_move(frame: Tensor, plate: Tensor) -> Move:
    """Find how a plate has to be moved to lie on a frame.

    Args:
        frame: (1, 3, h, w) float, linear Rec.709.
        plate: same shape.

    Returns:
        The move for `moved`; no move at all where there is nothing to tell it by.
    """
    if min(frame.shape[-2:]) < 64:
        return Move()
    alike = _alike(frame, plate)
    first, second = _detail(frame), _detail(plate)
    move = Move()
    for factor in (8, 4, 2):  # a fiftieth of a pixel is told at half size, too
        small = pool(first, factor), pool(second, factor), pool(alike, factor)
        for _ in range(8):
            step = _step(*small, move)
            if step is None:
                return Move()
            move = Move(*(a + b for a, b in zip(_parts(move), step, strict=True)))
            if max(abs(s) for s in step) * max(small[0].shape[-2:]) < 0.02:
                break
    if max(abs(move.right), abs(move.down)) > _MOST_SHIFT:
        return Move()
    if max(abs(move.turn), abs(move.grow)) > _MOST_TURN:
        return Move()
    weight = alike * _edges(soften(second))
    before, after = (_remains(first, moved(second, m), weight) for m in (Move(), move))
    return move if after < _GAIN * before else Move()


def registered(frame: Tensor, plate: Plate) -> Plate:
    """The plate laid on a frame; itself where it lies right or nothing tells.

    Args:
        frame: (1, 3, h, w) float, linear Rec.709.
        plate: at the same size.
    """
    move = find_move(soften(soften(frame)), plate.shown)
    if move == Move():
        return plate
    shown, color = (moved(x, move).clamp_min(0) for x in (plate.shown, plate.color))
    return replace(plate, shown=shown, color=color, other=moved(plate.other, move).clamp(0, 1))


def _parts(move: Move) -> tuple[float, float, float, float]:
    return move.right, move.down, move.turn, move.grow


def _log(rgb: Tensor) -> Tensor:
    return torch.log2(rgb.clamp_min(0) + 0.01)


def _detail(rgb: Tensor) -> Tensor:
    """Detail in stops, without what light and shadow do over wide parts."""
    stops = _log(rgb).mean(1, keepdim=True)
    wide = enlarge(soften(soften(pool(stops, 16))), (stops.shape[-2], stops.shape[-1]))
    return (stops - wide).clamp(-1, 1)


def _alike(frame: Tensor, plate: Tensor) -> Tensor:
    """Where a frame has a colour that the plate has nearby, apart from a gain in each channel."""
    first, second = pool(_log(frame), 8), pool(_log(plate), 8)
    first = first - (first - second).flatten(2).median(2).values[..., None, None]
    reach = max(1, round(max(frame.shape[-2:]) * _MOST_SHIFT / 2 / 8))
    off = torch.maximum(first - grow(second, reach), shrink(second, reach) - first)
    ok = (off.amax(1, keepdim=True) < 0.3).to(frame.dtype)
    return enlarge(1 - grow(1 - ok, 1), (frame.shape[-2], frame.shape[-1]))


def _remains(first: Tensor, second: Tensor, weight: Tensor) -> float:
    off = pool(first - second, 2).abs().clamp_max(0.3)
    weight = pool(weight, 2)
    return float((off * weight).sum() / weight.sum().clamp_min(1e-6))


def _edges(x: Tensor) -> Tensor:
    """How steep a picture is, squared: where a move shows."""
    return (grow(x, 1) + grow(-x, 1)).square()


def _step(first: Tensor, second: Tensor, alike: Tensor, move: Move) -> list[float] | None:
    """One round of least squares: what to add to the move; None where it cannot be told."""
    at = moved(second, move)
    off = (first - at)[..., 1:-1, 1:-1]
    side = max(first.shape[-2:])
    dx = (at[..., 1:-1, 2:] - at[..., 1:-1, :-2]) * (side / 2)
    dy = (at[..., 2:, 1:-1] - at[..., :-2, 1:-1]) * (side / 2)
    height, width = first.shape[-2:]
    y = ((torch.arange(1, height - 1, device=at.device) + 0.5 - height / 2) / side).view(-1, 1)
    x = (torch.arange(1, width - 1, device=at.device) + 0.5 - width / 2) / side
    slopes = torch.stack([dx, dy, dy * x - dx * y, dx * x + dy * y])
    inside = alike[..., 1:-1, 1:-1]
    seen = inside > 0.5
    if int(seen.sum()) < 200:
        return None
    # The scatter where it is steep: over flat parts nothing differs, moved or not.
    steep = (dx.square() + dy.square())[seen]
    tops = steep >= steep[::7].sort().values[int(0.8 * len(steep[::7]))]
    scale = 1.4826 * off[seen][tops].abs().median().clamp_min(1e-3)
    weight = inside * (1 - (off / (4.685 * scale)).square()).clamp_min(0).square()
    slopes = slopes.flatten(1).double()
    weighed = slopes * weight.flatten().double()
    normal = weighed @ slopes.T
    # Where only one direction shows detail the other stays.
    ridge = 0.01 * float(normal.diagonal().max()) + 1e-9
    normal = normal + ridge * torch.eye(4, device=at.device)
    found = torch.linalg.solve(normal, weighed @ off.flatten().double())
    steps: list[float] = found.tolist()
    return steps if all(math.isfinite(s) for s in steps) else None
