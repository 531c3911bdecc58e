"""Which part of a burst's frames shows the heads of all who are in it: small views show that."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from torch import Tensor

_AIR = 0.03
"""Left beside and above people, as a share of the frame."""
_LEAST = 0.2
"""Share of the frame's width that is shown at least."""
_SHAPE = 0.8
"""Height by width of what is shown."""


@dataclass(frozen=True)
class Extent:
    """How far people reach, in shares of an upright frame: 0 is its left or upper edge.

    Attributes:
        left: where they begin.
        top: likewise, from above.
        right: where they end.
    """

    left: float
    top: float
    right: float

    def part(self, size: tuple[int, int]) -> tuple[slice, slice]:
        """Rows and columns that show the heads and what is below, as far as the shape allows.

        Args:
            size: (H, W) of an upright frame or of a smaller copy of it.
        """
        height, width = size
        share = max(self.right - self.left + 2 * _AIR, _LEAST)
        across = min(max(1, round(share * width)), width, max(1, round(height / _SHAPE)))
        down = min(max(1, round(across * _SHAPE)), height)
        left = round((self.left + self.right) / 2 * width - across / 2)
        left = min(max(left, 0), width - across)
        top = min(max(round((self.top - _AIR) * height), 0), height - down)
        return slice(top, top + down), slice(left, left + across)


def extent_of(alpha: Tensor) -> Extent | None:
    """How far the people of one frame reach; None where nobody is.

    Args:
        alpha: (1, 1, h, w) float, their coverage.
    """
    there = alpha[0, 0] > 0.5
    # A single pixel is a speck.
    columns = (there.sum(0) > 1).nonzero()[:, 0].tolist()
    rows = (there.sum(1) > 1).nonzero()[:, 0].tolist()
    if not columns or not rows:
        return None
    height, width = there.shape
    return Extent(columns[0] / width, rows[0] / height, (columns[-1] + 1) / width)


def together(extents: Iterable[Extent | None]) -> Extent | None:
    """How far people reach in any of several frames, so that all show the same part."""
    found = [e for e in extents if e is not None]
    if not found:
        return None
    return Extent(
        min(e.left for e in found), min(e.top for e in found), max(e.right for e in found)
    )
