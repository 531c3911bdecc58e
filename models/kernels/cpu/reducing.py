"""A frame's planes pooled or sampled, and brought to linear light, as `Upright` does it."""

from __future__ import annotations

from functools import lru_cache
from typing import Any

import numpy as np
import torch
from torch import Tensor

from models.color import LUMA_WEIGHTS, Encoding, Matrix, levels, turn
from models.kernels.cpu.compiled import kernel
from models.kernels.cpu.curves import decode_line, decoding
from models.kernels.cpu.neighbourhood import Array, enlarge
from models.kernels.cpu.ranking import f4
from models.upright import Upright


@kernel(
    "void(u1[:,::1], i8, i8, i8, i8, f4[:,::1])",
    "void(i4[:,::1], i8, i8, i8, i8, f4[:,::1])",
)
def pool_codes(src: Array, step: int, width: int, down: int, right: int, out: Array) -> None:
    """Means over squares of code values.

    Args:
        src: (H, at least step * width), a row of memory each; every ``step``-th is a sample.
        step: 1, or 2 where two planes take turns.
        width: samples in a row.
        down: rows of a square.
        right: its columns.
        out: (ceil(H / down), ceil(width / right)).
    """
    total = np.empty(width, np.int32)
    whole = width // right
    for y in range(out.shape[0]):
        first, last = y * down, min(y * down + down, src.shape[0])
        start = first
        if step == 1 and last - first == 4:  # the usual factor
            one, two, three, four = src[first], src[first + 1], src[first + 2], src[first + 3]
            for x in range(width):
                upper = np.int32(one[x]) + np.int32(two[x])
                total[x] = upper + np.int32(three[x]) + np.int32(four[x])
            start = last
        else:
            total[:] = 0
        for j in range(start, last):
            row = src[j]
            if step == 1:
                for x in range(width):
                    total[x] += np.int32(row[x])
            else:
                for x in range(width):
                    total[x] += np.int32(row[x * step])
        to = out[y]
        count = f4((last - first) * right)
        if right == 2:
            for x in range(whole):
                to[x] = f4(np.int32(total[2 * x] + total[2 * x + 1])) / count
        elif right == 4:
            for x in range(whole):
                s = total[4 * x] + total[4 * x + 1] + total[4 * x + 2] + total[4 * x + 3]
                to[x] = f4(np.int32(s)) / count
        else:
            for x in range(whole):
                s = 0
                for i in range(x * right, x * right + right):
                    s += total[i]
                to[x] = f4(s) / count
        if whole < out.shape[1]:
            s = 0
            for i in range(whole * right, width):
                s += total[i]
            to[whole] = f4(s) / f4((last - first) * (width - whole * right))


@kernel(
    "void(u1[:,::1], i8, i8, i8, i8, i8, f4[:,::1])",
    "void(i4[:,::1], i8, i8, i8, i8, i8, f4[:,::1])",
)
def pick_codes(
    src: Array, step: int, width: int, factor: int, high: int, wide: int, out: Array
) -> None:
    """One code value for each square of the first plane, ``high`` by ``wide`` pixels large."""
    columns = np.empty(out.shape[1], np.uint32)
    for x in range(out.shape[1]):
        columns[x] = x * factor * width // wide * step
    for y in range(out.shape[0]):
        row, to = src[y * factor * src.shape[0] // high], out[y]
        for x in range(out.shape[1]):
            to[x] = f4(row[columns[x]])


@kernel("void(f4[:,:,::1], f4[:,::1], f4[::1], f4[:,:,::1])")
def to_linear(codes: Array, mix: Array, curve: Array, out: Array) -> None:
    """Three planes of code values to linear light.

    Args:
        codes: (3, h, w).
        mix: (3, 4), encoded R'G'B' as a sum of the planes and a constant.
        curve: as `decode_line` needs it.
        out: (3, h, w).
    """
    for y in range(codes.shape[1]):
        first, second, third = codes[0, y], codes[1, y], codes[2, y]
        for c in range(3):
            a, b, d, e = mix[c, 0], mix[c, 1], mix[c, 2], mix[c, 3]
            to = out[c, y]
            for x in range(to.size):
                to[x] = a * first[x] + b * second[x] + d * third[x] + e
            decode_line(curve, to)


@lru_cache(maxsize=16)
def _mix(encoding: Encoding) -> Any:
    y0, y_span, c0, c_span = levels(encoding)
    if encoding.matrix is Matrix.RGB:
        rows = [[1 / y_span * (i == c) for i in range(3)] + [-y0 / y_span] for c in range(3)]
        return np.array(rows, np.float32)
    kr, kb = LUMA_WEIGHTS[encoding.matrix]
    kg = 1 - kr - kb
    red, blue = 2 * (1 - kr), 2 * (1 - kb)
    of_chroma = [(0.0, red), (-blue * kb / kg, -red * kr / kg), (blue, 0.0)]
    return np.array(
        [
            [1 / y_span, cb / c_span, cr / c_span, -y0 / y_span - (cb + cr) * c0 / c_span]
            for cb, cr in of_chroma
        ],
        np.float32,
    )


def memory_rows(plane: Tensor) -> tuple[Any, int]:
    """A plane as whole rows of memory, and how far its samples lie apart in them.

    Args:
        plane: (H, W) uint8 or int32 of any strides; one that does not lie in rows is copied.

    Returns:
        (H, n) contiguous, of which what lies past the plane's own width may not be read.
    """
    if plane.dtype not in (torch.uint8, torch.int32):
        plane = plane.to(torch.int32)
    (height, width), (down, right) = plane.shape, plane.stride()
    if plane.is_contiguous():
        return plane.numpy(), 1
    if height == 1 or right < 1 or down < (width - 1) * right + 1:
        return plane.contiguous().numpy(), 1
    whole = plane.numpy()
    size = whole.itemsize
    return np.lib.stride_tricks.as_strided(whole, (height, down), (down * size, size)), right


def reduced(frame: Upright, factor: int) -> Tensor:
    """As `Upright.reduced`. A frame that is not made smaller takes the reference's way."""
    if factor == 1:
        return frame.reduced(1).contiguous()
    height, width = frame.planes[0].shape
    codes = np.empty((3, -(-height // factor), -(-width // factor)), np.float32)
    for channel, plane in enumerate(frame.planes):
        rows, step = memory_rows(plane)
        have, out = tuple(plane.shape), codes[channel]
        down, right = (
            1 if channel and have == out.shape else max(1, factor * n // full)
            for n, full in zip(have, (height, width), strict=True)
        )
        size = -(-have[0] // down), -(-have[1] // right)
        if size == out.shape:
            pool_codes(rows, step, have[1], down, right, out)
        else:
            near = np.empty(size, np.float32)
            pool_codes(rows, step, have[1], down, right, near)
            across = np.empty((max(size[0], out.shape[0]), out.shape[1]), np.float32)
            enlarge(near, across, out)
    return _linear(codes, frame)


def sampled(frame: Upright, factor: int) -> Tensor:
    """As `Upright.sampled`."""
    height, width = frame.planes[0].shape
    codes = np.empty((3, -(-height // factor), -(-width // factor)), np.float32)
    for plane, out in zip(frame.planes, codes, strict=True):
        rows, step = memory_rows(plane)
        pick_codes(rows, step, plane.shape[1], factor, height, width, out)
    return _linear(codes, frame)


def _linear(codes: Any, frame: Upright) -> Tensor:
    out = torch.empty((1, 3, *codes.shape[1:]))
    to_linear(codes, _mix(frame.encoding), decoding(frame.encoding.transfer), out[0].numpy())
    return turn(out, frame.quarter_turns).contiguous()
