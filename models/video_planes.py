"""Finished pictures as the planes of a film, and only what changed of them converted.

The pictures' codes stay those of sRGB: what plays films shows codes of BT.709 by the same curve as
those of pictures (*common practice*), so that a film looks like the still of the same template.

Source: ITU-R BT.709-6, items 3.2 to 3.5 (matrix, narrow range); ITU-T H.264 Annex E (chroma of
4:2:0 sits on the even columns, half way between two rows, where nothing is said).
"""

from __future__ import annotations

import weakref
from collections.abc import Callable

import torch
from torch import Tensor

from models.color import Encoding, Matrix, Planes, Range, Siting, rgb_to_planes
from models.composite import Scene
from models.transfer import Transfer
from models.window import bands

FILM = Encoding(Matrix.BT709, Range.NARROW, Transfer.BT709, Siting.LEFT, 8)
"""How a film's planes are coded."""


def planes_of_codes(codes: Tensor) -> Planes:
    """A picture as Y', Cb, Cr, chroma halved both ways.

    Args:
        codes: (H, W, 3) uint8, R', G', B'; H and W even.

    Returns:
        Three uint8 tensors on the same device, (H, W) and twice (H / 2, W / 2), as `FILM` says.
    """
    height, width = codes.shape[:2]
    planes = tuple(
        codes.new_empty(size) for size in [(height, width), *[(height // 2, width // 2)] * 2]
    )
    first, second, third = planes
    for band in bands(slice(0, height // 2), 2 * width, codes.device):
        rows = slice(2 * band.start, 2 * band.stop)
        part = codes[rows].permute(2, 0, 1)[None].to(torch.float32).mul_(1 / 255)
        first[rows], second[band], third[band] = rgb_to_planes(part, FILM)
    return first, second, third


def _widened(span: slice, most: int) -> tuple[slice, slice]:
    """Whole chroma samples that hang on a span, and what they hang on themselves, in pixels."""
    start, stop = span.start & ~1, min((span.stop + 2) & ~1, most)
    return slice(start, stop), slice(max(start - 2, 0), stop)


class VideoPlanes:
    """Converts the pictures of a film; keeps the bare picture of a scene that stays."""

    def __init__(self, bare: Callable[[Scene], Tensor]) -> None:
        """Prepare.

        Args:
            bare: gives the codes, (H, W, 3) uint8, of a scene without anybody.
        """
        self._bare_codes = bare
        self._seen: weakref.ref[Scene] | None = None
        self._bare: Planes | None = None

    def __call__(self, codes: Tensor, scene: Scene, where: tuple[slice, slice] | None) -> Planes:
        """A picture's planes, as `planes_of_codes` gives them.

        Args:
            codes: the picture.
            scene: what it was laid into.
            where: rows and columns outside of which it is the bare scene; None: nowhere is it
                anything else.

        Returns:
            New tensors.
        """
        if self._seen is None or self._seen() is not scene:
            # It may be gone with the next frame, and is not converted for that.
            self._seen, self._bare = weakref.ref(scene), None
            return planes_of_codes(codes)
        if self._bare is None:
            self._bare = planes_of_codes(self._bare_codes(scene))
        first, second, third = (p.clone() for p in self._bare)
        if where is not None:
            rows, _ = _widened(where[0], codes.shape[0])
            columns, around = _widened(where[1], codes.shape[1])
            made = planes_of_codes(codes[rows, around])
            left = columns.start - around.start
            small = (
                slice(rows.start // 2, rows.stop // 2),
                slice(columns.start // 2, columns.stop // 2),
            )
            first[rows, columns] = made[0][:, left:]
            second[small], third[small] = made[1][:, left // 2 :], made[2][:, left // 2 :]
        return first, second, third
