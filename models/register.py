"""A clean plate laid on a frame whose camera moved a little since.

Shift, turn and scale are estimated by least squares on the pictures' edges (creases, seams, marks),
over what looks the same in both, screen and surroundings alike. A screen without detail cannot
tell, and neither needs it: then, and where the estimate does not settle, the plate stays where it
is.

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
_FLAT = 0.004
"""chosen: stops from pixel to pixel below which nothing is an edge."""
_FEWEST = 40
"""chosen: pixels of edge that tell a move."""
_LEAST_TOLD = 0.004
"""chosen: a direction that shows this much less than the best is not told."""
_ROUNDS = 16
_WIDEST, _FINEST = 0.05, 0.01
"""chosen: stops of scatter that are taken for granted at first, for each pixel that is pooled, and
at last."""


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
    move, settled = Move(), False
    for factor in (8, 4, 2):  # a fiftieth of a pixel is told at half size, too
        small = pool(first, factor), pool(second, factor), pool(alike, factor)
        for count in range(_ROUNDS):
            least = max(_FINEST, _WIDEST * factor * 0.5**count)
            last, found = move, _closer(*small, move, least)
            settled = False
            if found is None:
                break
            move = found
            most = max(abs(a - b) for a, b in zip(_parts(move), _parts(last), strict=True))
            settled = least == _FINEST and most * max(small[0].shape[-2:]) < 0.02
            if settled:
                break
    # A move that is still on its way is a wrong one.
    if not settled or max(abs(move.right), abs(move.down)) > _MOST_SHIFT:
        return Move()
    if max(abs(move.turn), abs(move.grow)) > _MOST_TURN:
        return Move()
    weight = alike * (_edges(first) + _edges(second))
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
    """How steep a picture is, squared, where that is more than its noise: there a move shows."""
    steep = grow(x, 1) + grow(-x, 1)
    return (steep * (steep > _threshold(steep.flatten()))).square()


def _threshold(steep: Tensor) -> Tensor:
    """How steep a picture must be to tell of a move.

    Most of a screen is flat, so its middle steepness is noise's: of normal noise (Rayleigh's
    distribution) one pixel of 65000 is four times as steep. A cloth full of creases is about as
    steep everywhere, as its own steepest parts say.
    """
    some = steep[:: max(1, len(steep) // 200_000)].sort().values
    middle, top = some[len(some) // 2], some[int(0.999 * (len(some) - 1))]
    return (4 * middle).clamp(top / 12, top / 2).clamp_min(_FLAT)


def _closer(first: Tensor, second: Tensor, alike: Tensor, move: Move, least: float) -> Move | None:
    """One round of least squares, the scatter taken as ``least`` stops or more; None: untold."""
    at = moved(second, move)
    height, width = first.shape[-2:]
    side = max(height, width)
    inside = alike[0, 0, 1:-1, 1:-1]
    down, right = (inside > 0.5).nonzero(as_tuple=True)
    dx = ((at[0, 0, 1:-1, 2:] - at[0, 0, 1:-1, :-2]) / 2)[down, right]
    dy = ((at[0, 0, 2:, 1:-1] - at[0, 0, :-2, 1:-1]) / 2)[down, right]
    steep = (dx.square() + dy.square()).sqrt()
    if len(steep) < 200:
        return None
    threshold = _threshold(steep)
    told = steep > threshold
    if int(told.sum()) < _FEWEST:
        return None
    dx, dy, down, right = dx[told], dy[told], down[told], right[told]
    off = (first - at)[0, 0, 1:-1, 1:-1][down, right]
    # The scatter where it is steep: over flat parts nothing differs, moved or not. It is no measure
    # while edges lie wrong, since those along the move lie right: so it starts wide.
    scale = (1.4826 * off.abs().median()).clamp_min(least)
    weight = inside[down, right] * (1 - (off / (4.685 * scale)).square()).clamp_min(0).square()
    y, x = (down + 1.5 - height / 2) / side, (right + 1.5 - width / 2) / side
    one, none = torch.ones_like(x), torch.zeros_like(x)
    # How shift, turn and scale move a pixel to the right and down.
    across, along = (
        torch.stack([one, none, -y, x]).double(),
        torch.stack([none, one, x, y]).double(),
    )
    slopes = (across * dx + along * dy) * side
    normal = (slopes * weight) @ slopes.T
    chance = (across * weight) @ across.T + (along * weight) @ along.T
    # Where detail shows only one direction, such as a seam's, nothing is moved along it. What is
    # picked out of noise by the threshold is as steep as that, in every direction alike.
    sizes, ways = torch.linalg.eigh(normal - chance * (threshold.square() / 2 * side**2).double())
    ways = ways[:, sizes > _LEAST_TOLD * sizes[-1].clamp_min(1e-9)]
    if ways.shape[1] == 0:
        return None
    step = torch.linalg.solve(ways.T @ normal @ ways, ways.T @ (slopes @ (weight * off).double()))
    total = ways.T @ torch.tensor(_parts(move), dtype=ways.dtype, device=ways.device) + step
    parts: list[float] = (ways @ total).tolist()
    return Move(*parts) if all(math.isfinite(p) for p in parts) else None
