"""Windows of a frame: spans of rows and columns, at one scale or another."""

from __future__ import annotations

import math
from collections.abc import Iterator

import torch
from torch import Tensor

# chosen: 1 Mi pixel a band; prints go through scaling and laying in half the time, since a band
# stays in the cache, and without large tensors between.
BAND_PIXELS = 1 << 20


def bounds(mask: Tensor, factor: int, size: tuple[int, int]) -> tuple[slice, slice]:
    """Rows and columns of the full-size frame that hold all of a pooled mask."""
    spans = []
    for axis, full in ((-1, size[0]), (-2, size[1])):
        seen = mask[0, 0].any(axis).nonzero().flatten()
        first, last = (int(seen[0]), int(seen[-1]) + 1) if len(seen) else (0, 0)
        spans.append(slice(first * factor, min(last * factor, full)))
    return spans[0], spans[1]


def scaled(size: tuple[int, int], scale: float) -> tuple[int, int]:
    """A size at another scale, in whole pixels, one at the least."""
    return max(1, round(size[0] * scale)), max(1, round(size[1] * scale))


def at_scale(
    size: tuple[int, int], rows: slice, columns: slice, shrink: float
) -> tuple[tuple[int, int], tuple[int, int], tuple[int, int]]:
    """A frame at another scale, and where a window of it lies there: size, origin, extent.

    The window is scaled whole, and the same in every frame: cut to the subject first, it would
    shift by parts of a pixel as the subject moves.
    """
    origin = rows.start, columns.start
    extent = rows.stop - rows.start, columns.stop - columns.start
    if shrink == 1:
        return size, origin, extent
    full, extent = scaled(size, shrink), scaled(extent, shrink)
    origin = (
        min(round(origin[0] * shrink), full[0] - 1),
        min(round(origin[1] * shrink), full[1] - 1),
    )
    return full, origin, (min(extent[0], full[0] - origin[0]), min(extent[1], full[1] - origin[1]))


def moved(part: slice, by: int) -> slice:
    """A span counted from another origin."""
    return slice(part.start + by, part.stop + by)


def inside(
    where: tuple[slice, slice], scale: float, origin: tuple[int, int], extent: tuple[int, int]
) -> tuple[slice, slice] | None:
    """Rows and columns of the frame as those of a scaled window of it; None: they miss it."""
    spans = []
    for part, first, have in zip(where, origin, extent, strict=True):
        start = max(math.floor(part.start * scale) - first, 0)
        stop = min(math.ceil(part.stop * scale) - first, have)
        if stop <= start:
            return None
        spans.append(slice(start, stop))
    return spans[0], spans[1]


def hull(one: tuple[slice, slice], other: tuple[slice, slice]) -> tuple[slice, slice]:
    """The smallest window that holds two; an empty one counts for nothing."""
    empty = [
        part[0].stop <= part[0].start or part[1].stop <= part[1].start for part in (one, other)
    ]
    if empty[0] or empty[1]:
        return other if empty[0] else one
    rows, columns = (
        slice(min(a.start, b.start), max(a.stop, b.stop)) for a, b in zip(one, other, strict=True)
    )
    return rows, columns


def bands(
    rows: slice, width: int, device: torch.device, pixels: int | None = None
) -> Iterator[slice]:
    """Rows in bands that are worked on one after another; everything at once on a GPU.

    Args:
        rows: all of them; start and stop given.
        width: of the picture, in pixels.
        device: where it lies.
        pixels: about so many a band; None for `BAND_PIXELS`.
    """
    step = rows.stop - rows.start
    if device.type == "cpu":
        step = (pixels or BAND_PIXELS) // max(width, 1)
    for start in range(rows.start, rows.stop, max(step, 1)):
        yield slice(start, min(start + max(step, 1), rows.stop))
