"""Neighbourhood operations that cost the same at any radius: pooling, shrink, grow, spread.

Source of `spread`: the push-pull interpolation of Gortler, Grzeszczuk, Szeliski, Cohen,
"The Lumigraph", SIGGRAPH 1996 (weighted averages pushed down a pyramid, gaps filled from above).
"""

from __future__ import annotations

import torch
from torch import Tensor
from torch.nn import functional

from models.replay import replayed


def pool(x: Tensor, factor: int) -> Tensor:
    """Mean over squares of ``factor`` pixels; the last square may be smaller.

    Args:
        x: (B, C, H, W) float.
        factor: 1 or more.

    Returns:
        (B, C, ceil(H / factor), ceil(W / factor)) float.
    """
    if factor == 1:
        return x
    return functional.avg_pool2d(x, factor, ceil_mode=True, count_include_pad=False)


def enlarge(x: Tensor, size: tuple[int, int]) -> Tensor:
    """Linear interpolation of a smooth field up to ``size``.

    Args:
        x: (B, C, h, w) float.
        size: (H, W).

    Returns:
        (B, C, H, W) float; ``x`` itself where the size is right.
    """
    if (x.shape[-2], x.shape[-1]) == size:
        return x
    return functional.interpolate(x, size, mode="bilinear", align_corners=False)


def extent(have: tuple[int, int], size: tuple[int, int]) -> tuple[int, int]:
    """How much of a picture a small field stands for, in the picture's pixels.

    Args:
        have: (h, w) of the field.
        size: (H, W) of the picture.

    Returns:
        (H, W), or a little more where the field was pooled and its last squares hang over.
    """
    factor = -(-size[0] // have[0])
    pooled = have == (-(-size[0] // factor), -(-size[1] // factor))
    return (have[0] * factor, have[1] * factor) if pooled else size


def enlarge_part(x: Tensor, rows: slice, columns: slice, size: tuple[int, int]) -> Tensor:
    """A window of a small field brought to ``size``, without making the whole where that can be.

    Args:
        x: (B, C, h, w) float, a smooth field over the same picture.
        rows: of the enlarged field; start and stop given.
        columns: of the enlarged field.
        size: (H, W) of the enlarged field.

    Returns:
        (B, C, rows, columns) float. Where ``x`` was pooled from ``size``, a value lies at the
        middle of the square that it stands for; else the fields' edges are laid on each other.
    """
    have = (x.shape[-2], x.shape[-1])
    if have == size:
        return x[..., rows, columns]
    factor = -(-size[0] // have[0])
    if have != (-(-size[0] // factor), -(-size[1] // factor)):
        wide = _down(x, rows, size[0])
        return enlarge(wide, (wide.shape[-2], size[1]))[..., columns]
    return enlarge_squares(x, rows, columns, factor)


def enlarge_squares(x: Tensor, rows: slice, columns: slice, factor: int) -> Tensor:
    """A window of a field that was pooled by ``factor``, brought back to where it was.

    Args:
        x: (B, C, h, w) float, as `pool` gives it.
        rows: of the enlarged field; start and stop given.
        columns: of the enlarged field.
        factor: 1 or more.

    Returns:
        (B, C, rows, columns) float; each value lies at the middle of its square.
    """
    # One value more on each side, since linear interpolation leans on its neighbours.
    first, last = max(columns.start // factor - 1, 0), (columns.stop - 1) // factor + 2
    small = _down(x[..., first:last], rows, x.shape[-2] * factor)
    wide = enlarge(small, (small.shape[-2], small.shape[-1] * factor))
    left = columns.start - first * factor
    return wide[..., left : left + columns.stop - columns.start]


def _down(x: Tensor, rows: slice, height: int) -> Tensor:
    """Rows of a field that is enlarged to ``height``, as wide as it was.

    Places are counted in whole numbers, so that a row comes out the same in whichever window;
    torch's ``interpolate`` rounds a place by how far it lies from the window's upper edge.
    """
    have = x.shape[-2]
    at = torch.arange(rows.start, rows.stop, device=x.device)
    part = ((2 * at + 1) * have - height).clamp_min_(0)
    upper = part // (2 * height)
    share = (part - upper * (2 * height)).to(x.dtype) / (2 * height)
    lower = (upper + 1).clamp_max_(have - 1)
    return torch.lerp(x.index_select(-2, upper), x.index_select(-2, lower), share[:, None])


def _running_max(x: Tensor, axis: int, side: int) -> Tensor:
    """Maximum over ``side`` neighbours along an axis, the picture padded so that size stays.

    Windows of 1, 2, 4 ... are joined pairwise: shifted maxima of whole rows are several times as
    fast on a CPU as a pooling that also keeps indices.
    """
    radius = side // 2
    pad = (radius, radius, 0, 0) if axis == -1 else (0, 0, radius, radius)
    out = functional.pad(x, pad, value=float("-inf"))
    have = 1
    while have < side:
        more = min(have, side - have)
        n = out.shape[axis] - more
        out = torch.maximum(out.narrow(axis, 0, n), out.narrow(axis, more, n))
        have += more
    return out


def grow(x: Tensor, radius: int) -> Tensor:
    """Maximum over a square of ``2 radius + 1`` pixels.

    Args:
        x: (B, C, H, W) float.
        radius: in pixels; 0 returns ``x``.
    """
    return _grown(x, radius) if radius > 0 else x


@replayed
def _grown(x: Tensor, radius: int) -> Tensor:
    side = 2 * radius + 1
    return _running_max(_running_max(x, -1, side), -2, side)


def shrink(x: Tensor, radius: int) -> Tensor:
    """Minimum over a square of ``2 radius + 1`` pixels; see `grow`."""
    return -grow(-x, radius) if radius > 0 else x


def joined(start: Tensor, inside: Tensor) -> Tensor:
    """All of a mask that hangs together with a part of it.

    Args:
        start: (B, 1, H, W) float, ones and zeros, where to begin.
        inside: same shape, the mask.

    Returns:
        Same shape, ones and zeros.
    """
    for _ in range(sum(start.shape[-2:])):
        wider = grow(start, 1) * inside
        if bool((wider == start).all()):
            break
        start = wider
    return start


def box_mean(x: Tensor, radius: int) -> Tensor:
    """Mean over a square of ``2 radius + 1`` pixels, the edge repeated.

    Args:
        x: (B, C, H, W) float.
        radius: in pixels.
    """
    padded = functional.pad(x, (radius,) * 4, mode="replicate")
    return functional.avg_pool2d(padded, 2 * radius + 1, 1)


@replayed
def soften(x: Tensor) -> Tensor:
    """A 3x3 binomial blur, the edge repeated: takes the edge off single-pixel noise.

    Args:
        x: (B, C, H, W) float.

    Returns:
        Same shape. A new tensor.
    """
    padded = functional.pad(x, (1, 1, 1, 1), mode="replicate")
    rows = torch.lerp(padded[..., :-1, :], padded[..., 1:, :], 0.5)
    rows = torch.lerp(rows[..., :-1, :], rows[..., 1:, :], 0.5)
    cols = torch.lerp(rows[..., :-1], rows[..., 1:], 0.5)
    return torch.lerp(cols[..., :-1], cols[..., 1:], 0.5)


@replayed
def spread(x: Tensor, weight: Tensor) -> Tensor:
    """Fill a field everywhere from where it is known.

    Args:
        x: (B, C, H, W) float, the known values; what stands where ``weight`` is 0 is not read.
        weight: (B, 1, H, W) float in [0, 1], how well each is known.

    Returns:
        (B, C, H, W) float: ``x`` where it is known, a smooth continuation elsewhere; zero where
        nothing is known at all.
    """
    sums, weights = [x * weight], [weight]
    while max(sums[-1].shape[-2:]) > 1:
        sums.append(pool(sums[-1], 2))
        weights.append(pool(weights[-1], 2))
    filled = sums[-1] / weights[-1].clamp_min(1e-8)
    for total, known in zip(sums[-2::-1], weights[-2::-1], strict=True):
        here = total / known.clamp_min(1e-8)
        # A square that is a quarter known speaks for itself; less is mixed with its surroundings.
        trust = (known * 4).clamp_(0, 1)
        filled = torch.lerp(enlarge(filled, (total.shape[-2], total.shape[-1])), here, trust)
    return filled
