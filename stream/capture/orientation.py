"""Which way up: display matrices and Exif orientations as a mirror and quarter turns.

Sources: ISO/IEC 14496-12 (the matrix of a track header, 16.16 fixed point, row vectors:
x' = a x + c y, y' = b x + d y, y downwards); Exif 2.32, tag 0x0112.
"""

from __future__ import annotations

import math
import struct

from models.color import Planes

# Exif orientation: (mirror left-right first, then turn clockwise by quarters).
EXIF: dict[int, tuple[bool, int]] = {
    1: (False, 0),
    2: (True, 0),
    3: (False, 2),
    4: (True, 2),
    5: (True, 3),
    6: (False, 1),
    7: (True, 1),
    8: (False, 3),
}


def from_display_matrix(data: bytes) -> tuple[bool, int, bool]:
    """Read a display matrix.

    Args:
        data: nine 32-bit integers of the machine's order.

    Returns:
        Mirror left-right first; clockwise quarter turns after it, 0 to 3; whether the matrix was
        exactly that (a slanted one is taken to the nearest quarter).
    """
    a, b, _, c, d = struct.unpack("=5i", data[:20])
    mirror = a * d - b * c < 0
    if mirror:  # the matrix is mirror, then turn: take the mirror out of its first row
        a, b = -a, -b
    if a == 0 and b == 0:
        return False, 0, False
    quarters = math.atan2(b, a) / (math.pi / 2)
    return mirror, round(quarters) % 4, math.isclose(quarters, round(quarters), abs_tol=1e-3)


def mirrored(planes: Planes) -> Planes:
    """The planes flipped left to right, in memory of their own."""
    first, second, third = (p.flip(-1) for p in planes)
    return first, second, third
