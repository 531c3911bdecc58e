"""Planes to linear light in one pass, and their antialiased reduction; see `models.upright`."""

from __future__ import annotations

from typing import Any

import numpy as np
import torch
from numpy.typing import NDArray
from torch import Tensor

from models.color import LUMA_WEIGHTS, Encoding, Matrix, Planes, Siting, levels
from models.kernels.cpu.banding import Bands, flat
from models.kernels.cpu.compiled import kernel
from models.kernels.cpu.curves import decode_line, decoding
from models.kernels.cpu.filters import one_column, turned_round, weights
from models.planes import unturned

Floats = NDArray[np.float32]
Ints = NDArray[np.int64]
_KINDS = (torch.uint8, torch.int32)


@kernel()
def _scaled(p: Any, base: int, step: int, offset: Any, scale: Any, out: Floats) -> None:
    """Code values to floats."""
    # The usual step is written out: only then it becomes vector code.
    if step == 1:
        for j in range(out.size):
            out[j] = (np.float32(p[base + j]) - offset) * scale
    else:
        for j in range(out.size):
            out[j] = (np.float32(p[base + j * step]) - offset) * scale


@kernel()
def _chroma_row(
    p: Any, down: int, right: int, row: int, other: int, weight: Any, first: int, width: int,
    tone: Floats, out: Floats,
) -> None:  # fmt: skip
    """Samples of two rows mixed, from the one before ``first`` on; the edge is repeated."""
    go = weight * tone[3]
    stay = tone[3] - go
    off = tone[2] * tone[3]
    here, there = row * down, other * down
    begin, end = max(first - 1, 0), min(first + out.size - 1, width)
    lead, count = begin - (first - 1), end - begin
    a, b = here + begin * right, there + begin * right
    inner = out[lead : lead + count]
    if right == 1:
        for j in range(count):
            inner[j] = np.float32(p[a + j]) * stay + np.float32(p[b + j]) * go - off
    else:
        for j in range(count):
            inner[j] = np.float32(p[a + j * right]) * stay + np.float32(p[b + j * right]) * go - off
    if lead:
        out[0] = out[1]
    for j in range(lead + count, out.size):
        out[j] = out[j - 1]


@kernel()
def _doubled(line: Floats, a: Any, b: Any, out: Floats) -> None:
    """Twice as many samples; the first and the last of ``line`` are only leaned on."""
    for j in range(line.size - 2):
        own = line[j + 1]
        out[2 * j] = own + a * (line[j] - own)
        out[2 * j + 1] = own + b * (line[j + 2] - own)


@kernel()
def _mixed(
    luma: Floats, cbs: Floats, crs: Floats, tone: Floats, green: Floats, blue: Floats
) -> None:
    """Luma and chroma to R'G'B'; luma's line becomes red."""
    to_red, to_blue, less_blue, less_red = tone[4], tone[5], tone[6], tone[7]
    for j in range(luma.size):
        y, cb, cr = luma[j], cbs[j], crs[j]
        luma[j] = y + to_red * cr
        green[j] = y - less_blue * cb - less_red * cr
        blue[j] = y + to_blue * cb


@kernel()
def plane_row(
    p0: Any, p1: Any, p2: Any, place: Ints, tone: Floats, curve: Floats,
    i: int, left: int, out: Floats, small: Floats, wide: Floats,
) -> None:  # fmt: skip
    """A row of planes from ``left`` on as linear light: out (3, n)."""
    n = out.shape[1]
    rgb = place[10]
    for c in range(3 if rgb else 1):  # R', G', B', or Y'
        p = p0 if c == 0 else (p1 if c == 1 else p2)
        down, right = place[2 * c], place[2 * c + 1]
        _scaled(p, i * down + left * right, right, tone[0], tone[1], out[c])
    if not rgb:
        height, width = place[6], place[7]
        row, other, weight = i, i, np.float32(0)
        if place[8]:
            row = i // 2
            other = min(max(row + 2 * (i % 2) - 1, 0), height - 1)
            weight = tone[9] if i % 2 else tone[8]
        first = left // 2 if place[9] else left
        last = (left + n - 1) // 2 if place[9] else left + n - 1
        count = last - first + 1
        for c in range(2):
            p = p1 if c == 0 else p2
            down, right = place[2 + 2 * c], place[3 + 2 * c]
            line = small[c, : count + 2]
            _chroma_row(p, down, right, row, other, weight, first, width, tone, line)
            if place[9]:
                _doubled(line, tone[10], tone[11], wide[c])
            else:
                wide[c, :count] = line[1 : count + 1]
        skip = left % 2 if place[9] else 0
        _mixed(out[0], wide[0, skip:], wide[1, skip:], tone, out[1], out[2])
    for c in range(3):
        decode_line(curve, out[c])


@kernel(*(
    f"void({p}[::1], {p}[::1], {p}[::1], i8[::1], f4[::1], f4[::1], f4[::1], i8[::1], i8, i8)"
    for p in ("u1", "i4")
))  # fmt: skip
def _linear(
    p0: Any, p1: Any, p2: Any, place: Ints, tone: Floats, curve: Floats,
    out: Floats, where: Ints, first: int, last: int,
) -> None:  # fmt: skip
    top, left, n = where[0], where[1], where[2]
    base, channel, down, right = where[3], where[4], where[5], where[6]
    line = np.empty((3, n), np.float32)
    small = np.empty((2, n + 4), np.float32)
    wide = np.empty((2, n + 4), np.float32)
    for i in range(first, last):
        plane_row(p0, p1, p2, place, tone, curve, top + i, left, line, small, wide)
        for c in range(3):
            at = base + c * channel + i * down
            if right == 1:
                for j in range(n):
                    out[at + j] = line[c, j]
            else:
                for j in range(n):
                    out[at + j * right] = line[c, j]


@kernel(*(
    f"void({p}[::1], {p}[::1], {p}[::1], i8[::1], f4[::1], f4[::1], f4[::1], i8[::1],"
    "i4[::1], f4[:,::1], i4[::1], f4[:,::1], i8, i8)"
    for p in ("u1", "i4")
))  # fmt: skip
def _reduced(
    p0: Any, p1: Any, p2: Any, place: Ints, tone: Floats, curve: Floats,
    out: Floats, where: Ints, row_at: Any, row_weight: Floats, column_at: Any,
    column_weight: Floats, first: int, last: int,
) -> None:  # fmt: skip
    top, left, n = where[0], where[1], where[2]
    base, channel, down, right = where[3], where[4], where[5], where[6]
    taps, across = row_weight.shape[1], column_weight.shape[1]
    line = np.empty((taps, 3, n), np.float32)
    small = np.empty((2, n + 4), np.float32)
    wide = np.empty((2, n + 4), np.float32)
    total = np.empty((3, n), np.float32)
    pixels = np.empty((n, 4), np.float32)
    done = np.empty(4, np.float32)
    made = row_at[first]
    for i in range(first, last):
        begin = row_at[i]
        made = max(made, begin)
        while made < begin + taps:
            plane_row(
                p0, p1, p2, place, tone, curve, top + made, left, line[made % taps], small, wide
            )
            made += 1
        # Down first: whole rows are added up, and fewer are left to go across.
        for c in range(3):
            for j in range(n):
                total[c, j] = np.float32(0)
            for t in range(taps):
                weight = row_weight[i, t]
                if weight != 0:
                    source = line[(begin + t) % taps]
                    for j in range(n):
                        total[c, j] += weight * source[c, j]
        for j in range(n):
            pixels[j, 0] = total[0, j]
            pixels[j, 1] = total[1, j]
            pixels[j, 2] = total[2, j]
            pixels[j, 3] = np.float32(0)
        at = base + i * down
        for k in range(column_at.size):
            start = column_at[k]
            for c in range(4):
                done[c] = np.float32(0)
            for t in range(across):
                weight = column_weight[k, t]
                for c in range(4):
                    done[c] += weight * pixels[start + t, c]
            for c in range(3):
                out[at + c * channel + k * right] = done[c]


class Light:
    """A frame's planes as linear light, any window of them.

    Args:
        planes: three (H, W) tensors of uint8 or int32, strided as they like.
        encoding: how to read them.
        quarter_turns: clockwise, that make the frame upright.
        bands: splits the work.
    """

    def __init__(
        self, planes: Planes, encoding: Encoding, quarter_turns: int, bands: Bands
    ) -> None:
        self._turns, self._bands = quarter_turns % 4, bands
        height, width = planes[0].shape
        self._size = (width, height) if self._turns % 2 else (height, width)
        self._flat = [flat(p) for p in planes]
        chroma = planes[1].shape
        rgb = encoding.matrix is Matrix.RGB
        strides = [s for p in planes for s in p.stride()]
        halved = [have != full for have, full in zip(chroma, (height, width), strict=True)]
        self._place = np.array([*strides, *chroma, *halved, rgb], np.int64)
        y0, y_span, c0, c_span = levels(encoding)
        kr, kb = (1.0, 0.0) if rgb else LUMA_WEIGHTS[encoding.matrix]
        kg = 1 - kr - kb if not rgb else 1.0
        red, blue = 2 * (1 - kr), 2 * (1 - kb)
        cosited = (0.0, 0.5)
        between = (0.25, 0.25)
        down = cosited if encoding.siting is Siting.TOP_LEFT else between
        across = between if encoding.siting is Siting.CENTER else cosited
        self._tone = np.array(
            [
                y0,
                1 / y_span,
                c0,
                1 / c_span,
                red,
                blue,
                blue * kb / kg,
                red * kr / kg,
                *down,
                *across,
            ],
            np.float32,
        )
        self._curve = decoding(encoding.transfer)

    @staticmethod
    def covers(planes: Planes, encoding: Encoding) -> bool:
        """Whether these planes are of a kind and of sizes that the kernels read."""
        first, second, third = planes
        if any(p.ndim != 2 or 0 in p.shape or p.dtype is not first.dtype for p in planes):
            return False
        if first.dtype not in _KINDS or second.shape != third.shape:
            return False
        if encoding.matrix is Matrix.RGB:
            return second.shape == first.shape
        pairs = zip(second.shape, first.shape, strict=True)
        return all(have in (full, (full + 1) // 2) for have, full in pairs)

    @property
    def direct(self) -> bool:
        """Whether other kernels can read its rows: of upright planes of 8 bits."""
        return self._turns == 0 and self._flat[0].dtype == np.uint8

    @property
    def read(self) -> tuple[Any, ...]:
        """What `plane_row` needs of the whole frame."""
        return (*self._flat, self._place, self._tone, self._curve)

    def linear(self, rows: slice, columns: slice) -> Tensor:
        """As `models.upright.Upright.linear`."""
        down, across = unturned(rows, columns, self._size, self._turns)
        size = (rows.stop - rows.start, columns.stop - columns.start)
        out = torch.empty(1, 3, *size)
        where = self._where(down.start, across.start, across.stop - across.start, size)
        arguments: tuple[Any, ...] = (
            *self._flat,
            self._place,
            self._tone,
            self._curve,
            out.view(-1).numpy(),
            where,
        )
        self._bands(down.stop - down.start, lambda *part: _linear(*arguments, *part))
        return out

    def scaled(
        self,
        rows: slice,
        columns: slice,
        size: tuple[int, int],
        wanted: tuple[slice, slice],
    ) -> Tensor:
        """As `models.upright.Upright.scaled`."""
        have = (rows.stop - rows.start, columns.stop - columns.start)
        filters = [weights(h, w, p) for h, w, p in zip(have, size, wanted, strict=True)]
        if size[1] == 1 and have[1] != 1:
            filters[1] = one_column(have[1])
        got = (len(filters[0][0]), len(filters[1][0]))
        down, across = unturned(rows, columns, self._size, self._turns)
        if self._turns in (2, 3):
            filters[0] = turned_round(*filters[0], have[0])
        if self._turns in (1, 2):
            filters[1] = turned_round(*filters[1], have[1])
        if self._turns % 2:
            filters.reverse()
        (row_at, row_weight), (column_at, column_weight) = filters
        left = int(column_at.min())
        n = int(column_at.max()) + column_weight.shape[1] - left
        out = torch.empty(1, 3, *got)
        where = self._where(down.start, across.start + left, n, got)
        column_at = column_at - left
        arguments: tuple[Any, ...] = (
            *self._flat, self._place, self._tone, self._curve, out.view(-1).numpy(), where,
            np.ascontiguousarray(row_at), np.ascontiguousarray(row_weight),
            np.ascontiguousarray(column_at), np.ascontiguousarray(column_weight),
        )  # fmt: skip
        self._bands(len(row_at), lambda *part: _reduced(*arguments, *part))
        return out

    def _where(self, top: int, left: int, n: int, size: tuple[int, int]) -> Ints:
        """Where rows of planes land in an upright result: its first value and its strides."""
        height, width = size
        base, down, right = (
            (0, width, 1),
            (width - 1, -1, width),
            (height * width - 1, -width, -1),
            ((height - 1) * width, 1, -width),
        )[self._turns]
        return np.array([top, left, n, base, height * width, down, right], np.int64)
