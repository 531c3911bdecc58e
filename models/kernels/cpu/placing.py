"""A keyed window at its place in a picture, linearly enlarged; as `models.resample.scaled_part`."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray
from torch import Tensor, from_numpy

from models.kernels.cpu.banding import Bands
from models.kernels.cpu.compiled import i8, kernel

Floats = NDArray[np.float32]
Ints = NDArray[np.int32]
Spans = tuple[slice, slice]


@kernel()
def between(held: Floats, a: int, b: int, by: Any, lo: int, hi: int, line: Floats) -> None:
    """Pixels ``lo`` to ``hi`` between two rows of a window; a row of -1 is beyond it: nothing."""
    if b < 0:
        share = np.float32(1) - by
        for x in range(lo, hi):
            for c in range(4):
                line[x, c] = held[a, x, c] * share
    elif a < 0:
        for x in range(lo, hi):
            for c in range(4):
                line[x, c] = held[b, x, c] * by
    else:
        for x in range(lo, hi):
            for c in range(4):
                here = held[a, x, c]
                line[x, c] = here + by * (held[b, x, c] - here)


@kernel("void(f4[:,:,::1], i4[:,::1], f4[::1], i4[:,::1], f4[::1], f4[:,:,::1], i8, i8)")
def _placed(
    held: Floats, rows: Ints, row_by: Floats, columns: Ints, column_by: Floats, out: Floats,
    first: int, last: int,
) -> None:  # fmt: skip
    """Rows of a picture."""
    width = held.shape[1]
    # One pixel more, at the end: the nothing beyond.
    line = np.zeros((width + 1, 4), np.float32)
    for y in range(first, last):
        a, b, by = rows[0, y], rows[1, y], row_by[y]
        if a < 0 and b < 0:
            for x in range(out.shape[1]):
                for c in range(4):
                    out[y, x, c] = np.float32(0)
            continue
        between(held, a, b, by, i8(0), width, line)
        for x in range(out.shape[1]):
            p, q, f = np.uint64(columns[0, x]), np.uint64(columns[1, x]), column_by[x]
            for c in range(4):
                here = line[p, c]
                out[y, x, c] = here + f * (line[q, c] - here)


def _apart(have: int, want: int, part: slice) -> tuple[NDArray[Any], NDArray[Any], Floats]:
    """The two samples that outputs lie between, and how far they are on the way to the second."""
    at = np.maximum((np.arange(part.start, part.stop) + 0.5) * (have / want) - 0.5, 0)
    before = np.minimum(at.astype(np.int64), have - 1)
    return before, np.minimum(before + 1, have - 1), (at - before).astype(np.float32)


def _within(place: NDArray[Any], part: slice, beyond: int) -> NDArray[Any]:
    """Places counted from the begin of a part; ``beyond`` for those outside of it."""
    inside = (place >= part.start) & (place < part.stop)
    return np.where(inside, place - part.start, beyond).astype(np.int32)


class Scaled:
    """A part of a picture that is scaled linearly when its rows are asked for.

    Attributes:
        held: (rows, columns, 4) float32: what of the picture is not empty.
        rows: (2, n) int32, the two rows of it that each row of the part lies between; -1 for
            none.
        row_by: (n,) float32, how far that row is on the way to the second.
        columns: (2, m) int32, likewise; as many as ``held`` has for none.
        column_by: (m,) float32.
    """

    def __init__(
        self, held: Tensor, at: Spans, extent: tuple[int, int], wanted: tuple[int, int],
        mirror: bool, part: Spans, bands: Bands, top: int = 0,
    ) -> None:  # fmt: skip
        """Prepare; nothing is scaled yet.

        Args:
            held: (1, 4, rows, columns) float whose channels lie beside each other in memory: what
                of the picture is not empty.
            at: where that lies in the picture.
            extent: (H, W) of the picture.
            wanted: (H, W) of it once scaled; at least as large each way.
            mirror: flip it left to right first.
            part: rows and columns of the scaled picture that are wanted.
            bands: splits the work.
            top: where the first of those rows comes to lie.
        """
        above, below, self.row_by = _apart(extent[0], wanted[0], part[0])
        left, right, self.column_by = _apart(extent[1], wanted[1], part[1])
        if mirror:
            left, right = extent[1] - 1 - left, extent[1] - 1 - right
        self.held: Floats = held[0].permute(1, 2, 0).contiguous().numpy()
        width = self.held.shape[1]
        self.rows: Ints = np.stack([_within(x, at[0], -1) for x in (above, below)])
        self.columns: Ints = np.stack([_within(x, at[1], width) for x in (left, right)])
        self._bands, self._top = bands, top

    @classmethod
    def as_it_is(cls, held: Tensor, bands: Bands) -> Scaled:
        """All of a (1, 4, rows, columns) tensor at its own size."""
        size = held.shape[-2], held.shape[-1]
        everything = slice(0, size[0]), slice(0, size[1])
        return cls(held, everything, size, size, False, everything, bands)

    def take(self, rows: slice) -> Tensor:
        """Some of the rows, counted as they come to lie.

        Returns:
            (1, 4, rows, columns) float, its channels beside each other in memory. A new tensor.
        """
        first, last = rows.start - self._top, rows.stop - self._top
        out = np.empty((last - first, self.columns.shape[1], 4), np.float32)
        arguments: tuple[Any, ...] = (
            self.held, np.ascontiguousarray(self.rows[:, first:last]), self.row_by[first:last],
            self.columns, self.column_by, out,
        )  # fmt: skip
        self._bands(last - first, lambda *part: _placed(*arguments, *part))
        return from_numpy(out).permute(2, 0, 1)[None]

    def whole(self) -> Tensor:
        """All rows, as `take` gives them."""
        return self.take(slice(self._top, self._top + self.rows.shape[1]))
