"""Where a frame lies in a picture, as the kernels read it: 32 numbers in one buffer.

They are written before every frame, so that a graph follows a moving figure as it is.
"""

from __future__ import annotations

import struct
from enum import Enum
from typing import NamedTuple

import numpy as np
from torch import Tensor

from models.kernels.cuda.fields import Fields
from models.pyramid import extent as whole_of
from models.resample import Placement, visible
from models.window import scaled

LENGTH = 32
# Integers: rows and columns that the window lies further down and right in what is made, whether
# it is mirrored there, its height and width (as scaled), its first row and column (as scaled),
# whether it is mirrored where it is enlarged.
_DOWN, _RIGHT, _MIRROR, _HEIGHT, _WIDTH, _TOP, _LEFT, _MIRROR_LATER = range(8)
# Values of the fields, and of the shapes, to a pixel each way; the scale made before keying.
_Y, _X, _SMALL_Y, _SMALL_X, _SHRINK = range(8, 13)
# Where it is enlarged: size wanted; rows and columns down and right; pixels of the window to one.
_GOT_HEIGHT, _GOT_WIDTH, _LATER_DOWN, _LATER_RIGHT, _BY_Y, _BY_X = range(14, 20)
# Where it is reduced: pixels of the window to one; the window's size, first row and column.
_FROM_Y, _FROM_X, _FROM_HEIGHT, _FROM_WIDTH, _FROM_TOP, _FROM_LEFT = range(20, 26)
COUNTERS = 28
"""Two that the kernels count in, which every frame begins with at 0; at a multiple of 16 bytes."""
_FLOATS = {_Y, _X, _SMALL_Y, _SMALL_X, _SHRINK, _BY_Y, _BY_X, _FROM_Y, _FROM_X}
_NOTHING: tuple[float, ...] = tuple(0.0 if i in _FLOATS else 0 for i in range(LENGTH))
_PACKED = struct.Struct("=" + "".join("f" if i in _FLOATS else "i" for i in range(LENGTH)))


class Way(Enum):
    """How a frame's pixels come to be those of the picture."""

    SAME = "same"
    SMALLER = "smaller"
    LARGER = "larger"


class Place(NamedTuple):
    """Where a frame lies in a picture.

    Attributes:
        way: which kernels bring it there.
        numbers: 32, in the order that this module names.
        rows: of the picture, that it may cover; for telling whether two overlap.
        columns: likewise.
    """

    way: Way
    numbers: tuple[float, ...]
    rows: tuple[int, int]
    columns: tuple[int, int]

    @property
    def thin(self) -> bool:
        """Whether it is scaled to one column, which the reference does in another way."""
        return self.way is not Way.SAME and min(self.numbers[_WIDTH], self.numbers[_GOT_WIDTH]) < 2

    def packed(self) -> bytes:
        """The numbers as they lie in memory: 32 of four bytes."""
        return _PACKED.pack(*self.numbers)

    def write(self, numbers: Tensor) -> None:
        """Write the numbers.

        Args:
            numbers: (32,) int32 on the CPU.
        """
        numbers.numpy()[:] = np.frombuffer(self.packed(), np.int32)

    def overlaps(self, other: Place) -> bool:
        """Whether both may cover one pixel."""
        pairs = (self.rows, other.rows), (self.columns, other.columns)
        return all(a[0] < b[1] and b[0] < a[1] for a, b in pairs)


def place_of(fields: Fields, placement: Placement, size: tuple[int, int]) -> Place | None:
    """Where a frame lies, as `models.keyer.Keyer` places it.

    Args:
        fields: of the frame; only their sizes are looked at.
        placement: where the frame lies.
        size: (H, W) of the picture.

    Returns:
        None where nothing of it shows.

    Raises:
        ShapeError: the scale is not a positive number.
    """
    seen = visible(fields.size, placement, size)
    if seen is None:
        return None
    rows, columns, part = seen
    full, origin = fields.size, (rows.start, columns.start)
    window = (rows.stop - rows.start, columns.stop - columns.start)
    shrink, have = min(1.0, part.scale), window
    if shrink < 1:
        full, have = scaled(full, shrink), scaled(have, shrink)
        origin = (
            min(round(origin[0] * shrink), full[0] - 1),
            min(round(origin[1] * shrink), full[1] - 1),
        )
        have = min(have[0], full[0] - origin[0]), min(have[1], full[1] - origin[1])
    scale = part.scale / shrink
    got = max(1, round(have[0] * scale)), max(1, round(have[1] * scale))
    way = Way.SMALLER if shrink < 1 else Way.SAME if got == have else Way.LARGER
    down, right = round(part.dy), round(part.dx)
    _, *small = fields.fields.shape
    _, *shapes = fields.shapes.shape
    whole = whole_of((small[0], small[1]), full)
    n = list(_NOTHING)
    if way is Way.LARGER:
        n[_MIRROR_LATER] = placement.mirror
    else:
        n[_DOWN : _MIRROR + 1] = down, right, placement.mirror
    n[_HEIGHT : _LEFT + 1] = *have, *origin
    n[_Y : _SHRINK + 1] = (
        small[0] / whole[0], small[1] / whole[1],
        shapes[0] / whole[0], shapes[1] / whole[1], shrink,
    )  # fmt: skip
    n[_GOT_HEIGHT : _FROM_LEFT + 1] = (
        *got, down, right, have[0] / got[0], have[1] / got[1],
        window[0] / have[0], window[1] / have[1], *window, rows.start, columns.start,
    )  # fmt: skip
    return Place(way, tuple(n), (down, down + got[0]), (right, right + got[1]))
