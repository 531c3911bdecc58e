"""Place and scale pictures, antialiased, premultiplied and in linear light.

Source of the antialiased bilinear and bicubic filters: torch's ``interpolate(antialias=True)``,
which widens the kernel by the reduction factor.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from torch import Tensor
from torch.nn import functional

from models.errors import ShapeError


@dataclass(frozen=True)
class Placement:
    """Where an upright frame lies in a picture, in picture pixels, edges not centres.

    A point x of the frame lands at ``dx + scale * x``; with ``mirror`` the frame is flipped left
    to right first.
    """

    scale: float
    dx: float
    dy: float
    mirror: bool = False


def resize(image: Tensor, size: tuple[int, int], smooth: bool = True) -> Tensor:
    """Scale a picture to ``size``, antialiased when it gets smaller.

    Args:
        image: (B, C, H, W) float, linear light, premultiplied where it has an alpha.
        size: (H, W) wanted.
        smooth: enlarge with a cubic filter, which may overshoot; False is linear and faster.

    Returns:
        (B, C, *size) float. A new tensor, or ``image`` itself where the size is right.
    """
    have = (image.shape[-2], image.shape[-1])
    if have == size:
        return image
    if min(*have, *size) < 1:
        raise ShapeError(f"resize: got {have} to {size}; need at least one pixel a side")
    if size[1] == 1:
        # torch 2.13 gives wrong values where an antialiased picture becomes one pixel wide.
        return resize(image, (size[0], 2)).mean(-1, keepdim=True)
    shrinks = size[0] < have[0] or size[1] < have[1]
    mode = "bicubic" if smooth and not shrinks else "bilinear"
    return functional.interpolate(image, size, mode=mode, antialias=shrinks, align_corners=False)


def visible(
    frame_size: tuple[int, int],
    placement: Placement,
    size: tuple[int, int],
) -> tuple[slice, slice, Placement] | None:
    """The part of an upright frame that shows in a picture.

    Args:
        frame_size: (H, W) of the frame.
        placement: where the frame lies.
        size: (H, W) of the picture.

    Returns:
        Rows and columns of the frame, with a margin that the resampling filter can lean on, and
        the placement of that part; None where nothing shows.

    Raises:
        ShapeError: the scale is not a positive number.
    """
    if not placement.scale > 0:
        raise ShapeError(f"place: got scale {placement.scale}; need more than zero")
    margin = 2 + int(2 / placement.scale) if placement.scale != 1 else 0
    spans = []
    for have, want, start in (
        (frame_size[0], size[0], placement.dy),
        (frame_size[1], size[1], placement.dx),
    ):
        first = max(math.floor(-start / placement.scale) - margin, 0)
        last = min(math.ceil((want - start) / placement.scale) + margin, have)
        if last <= first:
            return None
        spans.append((first, last, start + first * placement.scale))
    (top, bottom, dy), (left, right, dx) = spans
    if placement.mirror:
        left, right = frame_size[1] - right, frame_size[1] - left
    return (
        slice(top, bottom),
        slice(left, right),
        Placement(placement.scale, dx, dy, placement.mirror),
    )


def scaled_part(
    image: Tensor,
    placement: Placement,
    size: tuple[int, int],
    smooth: bool = True,
    within: tuple[slice, slice] | None = None,
) -> tuple[Tensor, slice, slice] | None:
    """A part of a frame at the picture's scale, cut to the picture, and where it lies in it.

    Args:
        image: (B, C, H, W) float, as `visible` cut it.
        placement: that part's.
        size: (H, W) of the picture.
        smooth: as in `resize`.
        within: rows and columns of ``image`` that hold anything; the result is cut to them and
            lies on the same pixels as without.

    Returns:
        (B, C, rows, columns) float, and those rows and columns of the picture; None where
        nothing shows.
    """
    height, width = image.shape[-2:]
    found = spans_in((height, width), placement, size, within)
    if found is None:
        return None
    wanted, (from_rows, from_columns), (down, across) = found
    shown = image.flip(-1) if placement.mirror else image
    scaled = resize(shown, wanted, smooth)
    return scaled[..., from_rows, from_columns], down, across


def spans_in(
    have: tuple[int, int],
    placement: Placement,
    size: tuple[int, int],
    within: tuple[slice, slice] | None = None,
) -> tuple[tuple[int, int], tuple[slice, slice], tuple[slice, slice]] | None:
    """Where a part of a frame comes to lie in a picture.

    Args:
        have: (H, W) of the part.
        placement, size, within: as in `scaled_part`.

    Returns:
        (H, W) of the part once scaled, which of its rows and columns show, and where those lie in
        the picture; None where nothing shows.
    """
    height, width = have
    wanted = (max(1, round(height * placement.scale)), max(1, round(width * placement.scale)))
    rows, columns = within or (slice(0, height), slice(0, width))
    if placement.mirror:
        columns = slice(width - columns.stop, width - columns.start)
    spans = []
    for part, full, got, start, want in (
        (rows, height, wanted[0], placement.dy, size[0]),
        (columns, width, wanted[1], placement.dx, size[1]),
    ):
        # Two pixels more: a cubic filter reaches that far.
        first = max(math.floor(part.start * got / full) - 2, 0, -round(start))
        last = min(math.ceil(part.stop * got / full) + 2, got, want - round(start))
        if last <= first:
            return None
        spans.append((slice(first, last), slice(first + round(start), last + round(start))))
    (from_rows, down), (from_columns, across) = spans
    return wanted, (from_rows, from_columns), (down, across)
