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
    frame_size: tuple[int, int], placement: Placement, size: tuple[int, int]
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
    part = Placement(placement.scale, dx, dy, placement.mirror)
    return slice(top, bottom), slice(left, right), part


def place(
    image: Tensor, placement: Placement, size: tuple[int, int], smooth: bool = True
) -> Tensor:
    """Lay an upright frame into an empty picture.

    The part that shows is cropped before it is scaled, so that a large frame in a small slot
    costs what is seen. Positions are rounded to whole picture pixels.

    Args:
        image: (B, C, H, W) float, linear light, premultiplied by an alpha or an alpha itself.
        placement: where it goes.
        size: (H, W) of the picture.
        smooth: as in `resize`.

    Returns:
        (B, C, *size) float, zero where the frame does not reach.

    Raises:
        ShapeError: the scale is not a positive number.
    """
    out = image.new_zeros((*image.shape[:2], *size))
    seen = visible((image.shape[-2], image.shape[-1]), placement, size)
    if seen is None:
        return out
    rows, columns, part = seen
    shown = image[..., rows, columns]
    if placement.mirror:
        shown = shown.flip(-1)
    height, width = shown.shape[-2:]
    wanted = (max(1, round(height * part.scale)), max(1, round(width * part.scale)))
    scaled = resize(shown, wanted, smooth)
    y, x = round(part.dy), round(part.dx)
    y0, x0 = max(y, 0), max(x, 0)
    y1, x1 = min(y + scaled.shape[-2], size[0]), min(x + scaled.shape[-1], size[1])
    if y1 > y0 and x1 > x0:
        out[..., y0:y1, x0:x1] = scaled[..., y0 - y : y1 - y, x0 - x : x1 - x]
    return out
