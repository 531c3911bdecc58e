"""Neighbourhoods and sizes in OpenCV: what `models.pyramid` and `models.resample` say in torch.

All pictures are (H, W) or (H, W, C) float32.
"""

from __future__ import annotations

import math
from functools import lru_cache

import cv2
import numpy as np
from numpy.typing import NDArray

from models.pyramid import extent

Floats = NDArray[np.float32]
Size = tuple[int, int]

_BINOMIAL = np.array([0.25, 0.5, 0.25], np.float32)


def size_of(x: Floats) -> Size:
    """(H, W) of a picture."""
    return x.shape[0], x.shape[1]


def _as(x: object) -> Floats:
    return np.asarray(x, np.float32)


def pool(x: Floats, factor: int) -> Floats:
    """Means over squares; the last square of a side may be smaller."""
    if factor == 1:
        return x
    height, width = size_of(x)
    down, across = -(-height // factor), -(-width // factor)
    below, right = down * factor - height, across * factor - width
    if below or right:
        x = _as(cv2.copyMakeBorder(x, 0, below, 0, right, cv2.BORDER_CONSTANT, value=(0,) * 4))
    small = _as(cv2.resize(x, (across, down), interpolation=cv2.INTER_AREA))
    if below:
        small[-1] *= factor / (factor - below)
    if right:
        small[:, -1] *= factor / (factor - right)
    return small


def enlarge(x: Floats, size: Size) -> Floats:
    """Linear interpolation up to (H, W)."""
    if size_of(x) == size:
        return x
    return _as(cv2.resize(x, (size[1], size[0]), interpolation=cv2.INTER_LINEAR))


def enlarge_part(x: Floats, rows: slice, columns: slice, size: Size) -> Floats:
    """A window of a small field brought to ``size``; see `models.pyramid.enlarge_part`."""
    have = size_of(x)
    factor = -(-size[0] // have[0])
    if have == size or extent(have, size) != (have[0] * factor, have[1] * factor):
        return enlarge(x, size)[rows, columns]
    first = [max(part.start // factor - 1, 0) for part in (rows, columns)]
    last = [(part.stop - 1) // factor + 2 for part in (rows, columns)]
    small = x[first[0] : last[0], first[1] : last[1]]
    wide = enlarge(small, (small.shape[0] * factor, small.shape[1] * factor))
    top, left = rows.start - first[0] * factor, columns.start - first[1] * factor
    return wide[top : top + rows.stop - rows.start, left : left + columns.stop - columns.start]


def grow(x: Floats, radius: int) -> Floats:
    """Maximum over a square of ``2 radius + 1`` pixels."""
    return x if radius < 1 else _as(cv2.dilate(x, _square(radius)))


def shrink(x: Floats, radius: int) -> Floats:
    """Minimum over a square of ``2 radius + 1`` pixels."""
    return x if radius < 1 else _as(cv2.erode(x, _square(radius)))


@lru_cache(maxsize=64)
def _square(radius: int) -> NDArray[np.uint8]:
    return np.ones((2 * radius + 1, 2 * radius + 1), np.uint8)


def soften(x: Floats) -> Floats:
    """A 3x3 binomial blur, the edge repeated."""
    return _as(cv2.sepFilter2D(x, -1, _BINOMIAL, _BINOMIAL, borderType=cv2.BORDER_REPLICATE))


def mean(x: Floats, radius: int) -> Floats:
    """Mean over a square of ``2 radius + 1`` pixels, the edge repeated."""
    side = 2 * radius + 1
    return _as(cv2.blur(x, (side, side), borderType=cv2.BORDER_REPLICATE))


def per_channel(x: Floats, field: Floats) -> Floats:
    """``field`` (H, W) as many times as ``x`` has channels, so that OpenCV multiplies them."""
    return field if x.ndim == 2 else _as(cv2.merge([field] * x.shape[2]))


def spread(x: Floats, weight: Floats) -> Floats:
    """Fill a field from where it is known: push and pull; see `models.pyramid.spread`."""
    sums, weights = [_as(cv2.multiply(x, per_channel(x, weight)))], [weight]
    while max(size_of(sums[-1])) > 1:
        sums.append(pool(sums[-1], 2).reshape(*_halved(sums[-1])))
        weights.append(pool(weights[-1], 2))
    least = np.float32(1e-8)
    filled = sums[-1] / per_channel(x, np.maximum(weights[-1], least)).reshape(sums[-1].shape)
    for total, known in zip(sums[-2::-1], weights[-2::-1], strict=True):
        here = total / per_channel(total, np.maximum(known, least)).reshape(total.shape)
        trust = per_channel(total, np.minimum(known * 4, 1)).reshape(total.shape)
        filled = enlarge(filled, size_of(total)).reshape(total.shape)
        filled += trust * (here - filled)
    return filled


def _halved(x: Floats) -> tuple[int, ...]:
    return (-(-x.shape[0] // 2), -(-x.shape[1] // 2), *x.shape[2:])


@lru_cache(maxsize=16)
def _taps(have: int, want: int, start: int, stop: int) -> tuple[NDArray[np.intp], Floats]:
    """Places and weights, (K, stop - start) each, of the triangle as wide as the reduction.

    The filter of torch's ``interpolate(mode="bilinear", antialias=True)``.
    """
    ratio = have / want
    middle = ratio * (np.arange(start, stop) + 0.5)
    first = np.maximum((middle - ratio + 0.5).astype(np.intp), 0)
    last = np.minimum((middle + ratio + 0.5).astype(np.intp), have)
    at = first + np.arange(math.ceil(2 * ratio) + 1)[:, None]
    weight = np.maximum(0, 1 - np.abs((at - middle + 0.5) / ratio)) * (at < last)
    return np.minimum(at, have - 1), (weight / weight.sum(0)).astype(np.float32)


class Reduction:
    """Makes a picture smaller, antialiased, and gives a part of it.

    Attributes:
        source: rows and columns of the large picture that the part leans on.
    """

    def __init__(self, have: Size, want: Size, part: tuple[slice, slice]) -> None:
        self._axes = [
            _taps(h, w, p.start, p.stop) for h, w, p in zip(have, want, part, strict=True)
        ]
        self.source = tuple(slice(int(at.min()), int(at.max()) + 1) for at, _ in self._axes)

    def __call__(self, x: Floats) -> Floats:
        """The part, from ``source`` of the large picture: (H, W, 3)."""
        (down, high), (across, wide) = self._axes
        down, across = down - self.source[0].start, across - self.source[1].start
        # Down first: whole rows are taken, and fewer are left for the dearer way across.
        rows = sum(x[at] * w[:, None, None] for at, w in zip(down, high, strict=True) if w.any())
        lines = _as(rows).reshape(len(down[0]), -1, x.shape[2])
        out = sum(
            np.take(lines, at, 1) * w[:, None]
            for at, w in zip(across, wide, strict=True)
            if w.any()
        )
        return _as(out)
