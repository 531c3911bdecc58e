"""One subject laid into a picture, encoded, below an affine overlay; see `models.laying`.

A row of the subject is scaled, laid, encoded and turned into codes before the next one, in pieces:
where a piece is solid what lies below is not read, and where the overlay does nothing it is not.
"""

from __future__ import annotations

import weakref
from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray
from torch import Tensor

from models.composite import Overlay
from models.kernels.cpu.banding import Bands
from models.kernels.cpu.compiled import kernel
from models.kernels.cpu.curves import clamped, encode_line, srgb_encoding
from models.kernels.cpu.placing import Scaled, between

Floats = NDArray[np.float32]
Ints = NDArray[np.int32]
Codes = NDArray[np.uint8]

_PIECE = 64
"""Pixels of a piece; the kernels say so in numbers."""
_NO_STEP = np.zeros((0, 0, 0), np.float32)
_NOWHERE = np.zeros((0, 0), np.uint8)


@kernel()
def _filled(held: Floats, a: int, b: int) -> tuple[Any, Any]:
    """The columns outside of which two rows are empty; one of -1 is."""
    width = held.shape[1]
    low, high = width, 0
    for row in (a, b):
        if row >= 0:
            x = 0
            while x < low and not held[row, x, 3] > np.float32(0):
                x += 1
            low = min(low, x)
            x = width
            while x > high and not held[row, x - 1, 3] > np.float32(0):
                x -= 1
            high = max(high, x)
    return low, high


@kernel()
def _touched(columns: Ints, low: int, high: int) -> tuple[Any, Any]:
    """The pixels of a row that lie between columns of which one is in a span."""
    n = columns.shape[1]
    first, last = 0, n
    while first < n and not (low <= columns[0, first] < high or low <= columns[1, first] < high):
        first += 1
    while last > first and not (
        low <= columns[0, last - 1] < high or low <= columns[1, last - 1] < high
    ):
        last -= 1
    return first, last


@kernel()
def _across(
    line: Floats, columns: Ints, column_by: Floats, lo: int, hi: int, front: Floats
) -> None:
    """Pixels between those of a row, channel by channel."""
    for x in range(lo, hi):
        i = np.uint64(x)
        p, q, f = np.uint64(columns[0, i]), np.uint64(columns[1, i]), column_by[i]
        r, g, b, a = line[p, 0], line[p, 1], line[p, 2], line[p, 3]
        front[0, i] = r + f * (line[q, 0] - r)
        front[1, i] = g + f * (line[q, 1] - g)
        front[2, i] = b + f * (line[q, 2] - b)
        front[3, i] = a + f * (line[q, 3] - a)


@kernel()
def _over(alpha: Floats, below: Floats, out: Floats) -> None:
    for x in range(out.size):
        front = out[x] if out[x] > np.float32(0) else np.float32(0)
        out[x] = front + (np.float32(1) - clamped(alpha[x])) * below[x]


@kernel()
def _step(gain: Floats, offset: Floats, line: Floats) -> None:
    for x in range(line.size):
        line[x] = offset[x] + gain[x] * line[x]


@kernel()
def _coded(line: Floats, out: Floats) -> None:
    for x in range(line.size):
        out[x] = clamped(line[x]) * np.float32(255) + np.float32(0.5)


@kernel(
    "void(f4[:,:,::1], i4[:,::1], f4[::1], i4[:,::1], f4[::1], i8, i8, f4[:,:,::1], f4[:,:,::1],"
    "f4[:,:,::1], u1[:,::1], f4[::1], u1[:,:,::1], f4[:,::1], i8, i8)"
)
def _laid(
    held: Floats, rows: Ints, row_by: Floats, columns: Ints, column_by: Floats, top: int,
    left: int, below: Floats, gain: Floats, offset: Floats, changed: Codes, curve: Floats,
    picture: Codes, alpha: Floats, first: int, last: int,
) -> None:  # fmt: skip
    """Rows of a subject; where it is not, the picture stays as it is."""
    width = held.shape[1]
    line = np.zeros((width + 1, 4), np.float32)
    front = np.zeros((4, columns.shape[1]), np.float32)
    steps = gain.shape[0] > 0
    for r in range(first, last):
        a, b, y = rows[0, r], rows[1, r], top + r
        low, high = _filled(held, a, b)
        if high <= low:
            continue
        lo, hi = _touched(columns, low, high)
        # What lies beside the span, and the nothing beyond: they may be leaned on.
        begin, end = max(low - 1, 0), min(high + 1, width)
        between(held, a, b, row_by[r], begin, end, line)
        _across(line, columns, column_by, lo, hi, front)
        at = lo
        while at < hi:
            piece = (left + at) // 64
            stop = min(hi, (piece + 1) * 64 - left)
            least, most = np.float32(1), np.float32(0)
            for x in range(at, stop):
                least = min(least, front[3, x])
                most = max(most, front[3, x])
            if most <= np.float32(0):
                at = stop
                continue
            begin, end = left + at, left + stop
            for c in range(3):
                shown = front[c, at:stop]
                if least < np.float32(1):
                    _over(front[3, at:stop], below[c, y, begin:end], shown)
                encode_line(curve, shown)
                if steps and changed[y, piece]:
                    g = c if gain.shape[0] == 3 else 0
                    _step(gain[g, y, begin:end], offset[c, y, begin:end], shown)
                _coded(shown, shown)
            for x in range(at, stop):
                i, j = np.uint64(x), np.uint64(left + x)
                cover = front[3, i]
                if cover > np.float32(0):
                    picture[y, j, 0] = np.uint8(front[0, i])
                    picture[y, j, 1] = np.uint8(front[1, i])
                    picture[y, j, 2] = np.uint8(front[2, i])
                    alpha[y, j] = cover if cover < np.float32(1) else np.float32(1)
            at = stop


def covers(steps: Sequence[Overlay]) -> bool:
    """Whether the layers above a subject are what the kernel knows: none, or one affine step."""
    return not steps or (len(steps) == 1 and steps[0].gain is not None)


class Layer:
    """An affine step as the kernel reads it; what is told of one that stays is found once."""

    def __init__(self) -> None:
        # No layer is held longer than its owner does.
        self._pieces: tuple[weakref.ref[Tensor], weakref.ref[Tensor], Codes] | None = None

    def __call__(self, steps: Sequence[Overlay]) -> tuple[Floats, Floats, Codes]:
        """Gain (1 or 3, H, W), offset (3, H, W), and in which pieces of rows they do anything."""
        if not steps or steps[0].gain is None or steps[0].offset is None:
            return _NO_STEP, _NO_STEP, _NOWHERE
        gain, offset = steps[0].gain, steps[0].offset
        kept = self._pieces
        if kept is None or kept[0]() is not gain or kept[1]() is not offset:
            some = ((gain != 1) | (offset != 0))[0].any(0).numpy()
            starts = np.arange(0, some.shape[1], _PIECE)
            pieces = np.logical_or.reduceat(some, starts, 1).astype(np.uint8)
            kept = self._pieces = weakref.ref(gain), weakref.ref(offset), pieces
        own = gain[:, :1] if gain.stride(1) == 0 else gain
        return own[0].contiguous().numpy(), offset[0].contiguous().numpy(), kept[2]


def lay(
    subject: Scaled, rows: slice, columns: slice, below: Tensor, step: tuple[Any, ...],
    picture: Tensor, alpha: Tensor, bands: Bands,
) -> None:  # fmt: skip
    """Lay a subject into a picture that shows the template without anybody.

    Args:
        subject: linear Rec.709, premultiplied, and its alpha.
        rows: where it lies in the picture.
        columns: likewise.
        below: (1, 3, H, W) float, contiguous, linear Rec.709, opaque.
        step: the layer above, as `Layer` gives it.
        picture: (H, W, 3) uint8, sRGB; changed where the subject is.
        alpha: (1, 1, H, W) float, zeros; becomes the subject's coverage.
        bands: splits the work.
    """
    arguments: tuple[Any, ...] = (
        subject.held, subject.rows, subject.row_by, subject.columns, subject.column_by,
        rows.start, columns.start, below[0].numpy(), *step, srgb_encoding(), picture.numpy(),
        alpha[0, 0].numpy(),
    )  # fmt: skip
    bands(rows.stop - rows.start, lambda *part: _laid(*arguments, *part))
