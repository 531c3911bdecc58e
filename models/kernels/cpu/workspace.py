"""Memory that the kernels of one source's analysis work in, kept from frame to frame."""

from __future__ import annotations

import weakref
from typing import Any

import numpy as np
import torch
from torch import Tensor

from models.kernels.cpu.compiled import kernel

Window = tuple[int, int, int, int]
_KEPT = 3
"""Descriptions of frames whose memory is looked after; of more that are held it is let go."""


@kernel("void(f4[:,:,::1], i8, i8, i8, i8, i8, i8, i8, i8)")
def clear(
    out: Any, top: int, bottom: int, left: int, right: int, first: int, last: int, start: int,
    stop: int,
) -> None:  # fmt: skip
    """Zero what lies in one window and not in another."""
    for c in range(out.shape[0]):
        for y in range(top, bottom):
            row = out[c, y]
            within = first <= y < last
            for x in range(left, min(start, right) if within else right):
                row[x] = 0
            if within:
                for x in range(max(stop, left), right):
                    row[x] = 0


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
        self._lent: list[tuple[Any, weakref.ref[Any], Window]] = []
        self._size = size

    def surroundings(self, window: Window) -> Tensor:
        """Memory for what is told about single pixels, zero outside a window.

        What was handed out before is used again once nothing holds it any more: clearing four
        megabytes a frame takes longer than filling what is needed of them.

        Args:
            window: first and last rows and columns that will be written, and only they.

        Returns:
            (1, 19, h, w).
        """
        memory = None
        for i, (have, held, written) in enumerate(self._lent):
            if held() is None:
                memory = have
                clear(memory, *written, *window)
                del self._lent[i]
                break
        if memory is None:
            memory = np.zeros((19, *self._size), np.float32)
        # The tensor keeps this one view alive, and so does all that is cut from the tensor.
        view = memory[None]
        if len(self._lent) < _KEPT:
            self._lent.append((memory, weakref.ref(view), window))
        return torch.from_numpy(view)


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
