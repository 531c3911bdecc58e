"""Which part of a burst's frames shows the heads of all who are in it: small views show that."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from stream.best.faces import SeenFace

# chosen on rendered heads: in sides of the square from brow to chin, what a head with its hair and
# neck needs beside, above and below the middle of that square.
_BESIDE, _ABOVE, _BELOW = 1.3, 1.5, 1.2
_LEAST = 0.2
"""chosen: share of the frame's width that is shown at least: it is no larger than life."""
_SHAPE = 0.8
"""Height by width of a view on the desk."""


@dataclass(frozen=True)
class Extent:
    """How far heads reach, in shares of an upright frame: 0 is its left or upper edge.

    Attributes:
        left: where they begin.
        top: likewise, from above.
        right: where they end.
        bottom: likewise.
    """

    left: float
    top: float
    right: float
    bottom: float

    def part(self, size: tuple[int, int]) -> tuple[slice, slice]:
        """Rows and columns that show all heads, and more below where the shape has room.

        Args:
            size: (H, W) of an upright frame or of a smaller copy of it.
        """
        height, width = size
        down = (self.bottom - self.top) * height
        across = max((self.right - self.left) * width, _LEAST * width, down / _SHAPE)
        wide = min(max(round(across), 1), width)
        high = min(max(round(max(across * _SHAPE, down)), 1), height)
        left = round((self.left + self.right) / 2 * width - wide / 2)
        left = min(max(left, 0), width - wide)
        top = min(max(round(self.top * height), 0), height - high)
        return slice(top, top + high), slice(left, left + wide)


def extent_of(faces: Iterable[SeenFace], size: tuple[int, int]) -> Extent | None:
    """How far the heads of one frame reach; None where no face was found.

    Args:
        faces: that were found.
        size: (H, W) of the upright frame.
    """
    found = list(faces)
    if not found:
        return None
    y, x = (max(size) / side for side in size)

    def inside(share: float) -> float:
        return min(max(share, 0.0), 1.0)

    return Extent(
        inside(min(f.x - _BESIDE * f.side for f in found) * x),
        inside(min(f.y - _ABOVE * f.side for f in found) * y),
        inside(max(f.x + _BESIDE * f.side for f in found) * x),
        inside(max(f.y + _BELOW * f.side for f in found) * y),
    )


def together(extents: Iterable[Extent | None]) -> Extent | None:
    """How far heads reach in any of several frames, so that all show the same part."""
    found = [e for e in extents if e is not None]
    if not found:
        return None
    return Extent(
        min(e.left for e in found),
        min(e.top for e in found),
        max(e.right for e in found),
        max(e.bottom for e in found),
    )
