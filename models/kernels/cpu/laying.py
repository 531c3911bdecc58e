"""A placed subject over a template, encoded, under its layers, as codes; as `models.laying`."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray
from torch import Tensor

from models.composite import Overlay
from models.kernels.cpu.banding import Bands
from models.kernels.cpu.compiled import kernel
from models.kernels.cpu.curves import clamped, encode_line, srgb_encoding

Floats = NDArray[np.float32]
Codes = NDArray[np.uint8]

_NO_STEP = np.zeros((0, 0, 0), np.float32)


@kernel()
def _over(subject: Floats, below: Floats, c: int, out: Floats) -> None:
    for x in range(out.size):
        front = subject[x, c] if subject[x, c] > np.float32(0) else np.float32(0)
        out[x] = front + (np.float32(1) - clamped(subject[x, 3])) * below[x]


@kernel()
def _step(gain: Floats, offset: Floats, line: Floats) -> None:
    for x in range(line.size):
        line[x] = offset[x] + gain[x] * line[x]


@kernel()
def _coded(line: Floats, out: Floats) -> None:
    for x in range(line.size):
        out[x] = clamped(line[x]) * np.float32(255) + np.float32(0.5)


@kernel(
    "void(f4[:,:,::1], i8, i8, f4[:,:,::1], f4[:,:,::1], f4[:,:,::1], f4[::1],"
    "u1[:,:,::1], f4[:,::1], i8, i8)"
)
def _laid(
    subject: Floats, top: int, left: int, below: Floats, gain: Floats, offset: Floats,
    curve: Floats, picture: Codes, alpha: Floats, first: int, last: int,
) -> None:  # fmt: skip
    """Rows of a subject; where it is not, the picture stays as it is."""
    width = subject.shape[1]
    lines = np.empty((3, width), np.float32)
    steps = gain.shape[0] > 0
    for r in range(first, last):
        lo, hi = width, 0
        for x in range(width):
            if subject[r, x, 3] > np.float32(0):
                lo = min(lo, x)
                hi = x + 1
        if hi <= lo:
            continue
        y, begin, end = top + r, left + lo, left + hi
        for c in range(3):
            line = lines[c, lo:hi]
            _over(subject[r, lo:hi], below[c, y, begin:end], c, line)
            encode_line(curve, line)
            if steps:
                g = c if gain.shape[0] == 3 else 0
                _step(gain[g, y, begin:end], offset[c, y, begin:end], line)
            _coded(line, line)
        for x in range(lo, hi):
            a = subject[r, x, 3]
            if a > np.float32(0):
                i, j = np.uint64(x), np.uint64(left + x)
                picture[y, j, 0] = np.uint8(lines[0, i])
                picture[y, j, 1] = np.uint8(lines[1, i])
                picture[y, j, 2] = np.uint8(lines[2, i])
                alpha[y, j] = a if a < np.float32(1) else np.float32(1)


def covers(steps: Sequence[Overlay]) -> bool:
    """Whether the layers above a subject are what the kernel knows: none, or one affine step."""
    return not steps or (len(steps) == 1 and steps[0].gain is not None)


def lay(
    subject: Tensor, rows: slice, columns: slice, below: Tensor, steps: Sequence[Overlay],
    picture: Tensor, alpha: Tensor, bands: Bands,
) -> None:  # fmt: skip
    """Lay a subject into a picture that shows the template without anybody.

    Args:
        subject: (1, 4, rows, columns) float, linear Rec.709, premultiplied, and its alpha.
        rows: where it lies in the picture.
        columns: likewise.
        below: (1, 3, H, W) float, contiguous, linear Rec.709, opaque.
        steps: the layers above; such as `covers` takes.
        picture: (H, W, 3) uint8, sRGB; changed where the subject is.
        alpha: (1, 1, H, W) float, zeros; becomes the subject's coverage.
        bands: splits the work.
    """
    gain = offset = _NO_STEP
    if steps and steps[0].gain is not None and steps[0].offset is not None:
        repeated = steps[0].gain.stride(1) == 0
        gain = (steps[0].gain[:, :1] if repeated else steps[0].gain)[0].contiguous().numpy()
        offset = steps[0].offset[0].contiguous().numpy()
    beside = subject[0].permute(1, 2, 0).contiguous().numpy()
    arguments = (
        beside, rows.start, columns.start, below[0].numpy(), gain, offset, srgb_encoding(),
        picture.numpy(), alpha[0, 0].numpy(),
    )  # fmt: skip
    bands(beside.shape[0], lambda first, last: _laid(*arguments, first, last))
