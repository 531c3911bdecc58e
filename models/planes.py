"""Planes before they are converted: pooled, sampled, windowed; chroma of any subsampling."""

from __future__ import annotations

import torch
from torch import Tensor
from torch.nn import functional

from models.color import Planes


def pooled_planes(planes: Planes, factor: int) -> Planes:
    """Planes reduced to one size: means over squares, chroma over what lies under each.

    Args:
        planes: three (H, W) integer tensors, the second and third full or half size a side.
        factor: 2 or more.

    Returns:
        Three (ceil(H / factor), ceil(W / factor)) float32 tensors, still code values.
    """
    height, width = planes[0].shape
    size = (-(-height // factor), -(-width // factor))
    first = planes[0].to(torch.float32)[None, None]
    small = functional.avg_pool2d(first, factor, ceil_mode=True, count_include_pad=False)[0, 0]
    pair = torch.stack([planes[1], planes[2]])[None].to(torch.float32)
    if pair.shape[-2:] != size:
        across = [
            max(1, factor * have // full)
            for have, full in zip(pair.shape[-2:], (height, width), strict=True)
        ]
        pair = functional.avg_pool2d(pair, across, ceil_mode=True, count_include_pad=False)
        if pair.shape[-2:] != size:
            pair = functional.interpolate(pair, size, mode="bilinear", align_corners=False)
    return small, pair[0, 0], pair[0, 1]


def sampled_planes(planes: Planes, factor: int) -> Planes:
    """Every so-many-th sample of each plane, at one size; nothing is averaged.

    Args:
        planes: three (H, W) integer tensors, the second and third full or half size a side.
        factor: 1 or more.

    Returns:
        Three (ceil(H / factor), ceil(W / factor)) tensors.
    """
    height, width = planes[0].shape

    def taken(plane: Tensor) -> Tensor:
        if plane.shape == (height, width):
            return plane[::factor, ::factor]
        rows = torch.arange(0, height, factor, device=plane.device)
        columns = torch.arange(0, width, factor, device=plane.device)
        rows = rows * plane.shape[0] // height
        columns = columns * plane.shape[1] // width
        return plane[rows[:, None], columns[None]]

    return taken(planes[0]), taken(planes[1]), taken(planes[2])


def crop(planes: Planes, rows: slice, columns: slice) -> tuple[Planes, slice, slice]:
    """Cut a window out of planes, so that only what shows is converted.

    Args:
        planes: three (H, W) tensors, the second and third full or half size a side.
        rows: of the first plane.
        columns: of the first plane.

    Returns:
        Views of the planes, a little larger than asked (whole chroma samples, and one more that
        its interpolation leans on), and the rows and columns of the window within them.
    """
    height, width = planes[0].shape
    spans = []
    for part, have, chroma in (
        (rows, height, planes[1].shape[0]),
        (columns, width, planes[1].shape[1]),
    ):
        start, stop, _ = part.indices(have)
        first, last = max(start - 2, 0) & ~1, min(stop + 3, have)
        halved = chroma != have
        small = slice(first // 2, (last + 1) // 2) if halved else slice(first, last)
        spans.append((slice(first, last), small, slice(start - first, stop - first)))
    (y_rows, c_rows, top), (y_columns, c_columns, left) = spans
    first_plane = planes[0][y_rows, y_columns]
    second, third = (p[c_rows, c_columns] for p in planes[1:])
    return (first_plane, second, third), top, left


def unturned(
    rows: slice, columns: slice, size: tuple[int, int], quarter_turns: int
) -> tuple[slice, slice]:
    """Where a window of the upright picture lies in the planes before they are turned.

    Args:
        rows: of the upright picture.
        columns: of the upright picture.
        size: (H, W) upright.
        quarter_turns: 0 to 3, clockwise, that made it upright.
    """
    top, bottom, _ = rows.indices(size[0])
    left, right, _ = columns.indices(size[1])
    match quarter_turns % 4:
        case 1:
            return slice(size[1] - right, size[1] - left), slice(top, bottom)
        case 2:
            return slice(size[0] - bottom, size[0] - top), slice(size[1] - right, size[1] - left)
        case 3:
            return slice(left, right), slice(size[0] - bottom, size[0] - top)
        case _:
            return slice(top, bottom), slice(left, right)
