"""A whole frame laid into an empty picture, of the two steps that the Keyer takes apart."""

from __future__ import annotations

from torch import Tensor

from models.resample import Placement, scaled_part, visible


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
    laid = scaled_part(image[..., rows, columns], part, size, smooth)
    if laid is not None:
        scaled, down, across = laid
        out[..., down, across] = scaled
    return out
