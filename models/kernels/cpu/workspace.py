"""Memory that the kernels of one source's analysis work in, kept from frame to frame."""

from __future__ import annotations

from typing import Any

import numpy as np


class Room:
    """Memory for one size of the analysis.

    Attributes:
        seen: (3, h, w) float32.
        planes: eight of (h, w) float32.
        masks: five of (h, w) uint8.
        flat: float32 in one row, room for a pyramid of four fields.
    """

    def __init__(self, size: tuple[int, int]) -> None:
        self.seen: Any = np.zeros((3, *size), np.float32)
        self.planes: Any = list(np.zeros((8, *size), np.float32))
        self.masks: Any = list(np.zeros((5, *size), np.uint8))
        # Each level of a pyramid may be a row longer than half, down to single values.
        self.flat: Any = np.zeros(6 * (size[0] + 8) * (size[1] + 8), np.float32)


class Workspace:
    """The room of the size that was asked for last. It is not for several threads at once."""

    def __init__(self) -> None:
        self._size: tuple[int, int] | None = None
        self._room = Room((1, 1))

    def of(self, size: tuple[int, int]) -> Room:
        """The room for an analysis of ``size``, (h, w)."""
        if size != self._size:
            self._size, self._room = size, Room(size)
        return self._room
