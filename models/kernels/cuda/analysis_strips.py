# mypy: disable-error-code="no-untyped-def,no-untyped-call,untyped-decorator,misc"
"""Strips along a frame's sides that end in one straight line of screen; as `models.outside`."""

from __future__ import annotations

import triton
import triton.language as tl

from models.kernels.cuda.neighbourhood import (
    between,
    mixed,
    ranks,
)


@triton.jit
def lower_median(value, count, held, block: tl.constexpr):
    """The lower median of the first ``count`` values; by one program."""
    place = tl.arange(0, block)
    tl.debug_barrier()
    tl.store(held + place, value)
    tl.debug_barrier()
    rank = tl.zeros((block,), tl.int32)
    for start in range(0, count, 16):
        other = start + tl.arange(0, 16)
        there = other < count
        rank += ranks(value, place, tl.load(held + other, mask=there, other=0.0), other, there)
    return tl.sum(tl.where((place < count) & (rank == (count - 1) // 2), value, 0.0), 0)


@triton.jit
def screen_at(cells, opened, some, place, there):
    """Which cells are screen: those opened, where any were left."""
    left = tl.load(opened + place, mask=there, other=0.0) > 0.5
    return tl.where(some, left, tl.load(cells + place, mask=there, other=0.0) > 0.5)


@triton.jit
def strip_at(strips, side: tl.constexpr, y, x, hc, wc):
    """How much of a cell is a strip that is cut."""
    row, column = y, x
    if side == 1:
        column = wc - 1 - x
    if side == 2:
        row, column = x, y
    line = tl.load(strips + 14 + side * 4) + tl.load(strips + 13 + side * 4) * row
    cut = tl.minimum(tl.maximum(line - column, 0.0), 1.0)
    there = (tl.load(strips + 12 + side * 4 + y * 0) > 0) & (row < tl.load(strips + 15 + side * 4))
    return tl.where(there, cut, 0.0)


@triton.jit
def strips_at(strips, y, x, hc, wc, h, w):
    """How much of a pixel is a strip that is cut."""
    y0, y1, down = between(y, hc, h)
    x0, x1, across = between(x, wc, w)
    most_cut = y * 0.0
    for side in tl.static_range(3):
        cut = mixed(
            strip_at(strips, side, y0, x0, hc, wc),
            strip_at(strips, side, y0, x1, hc, wc),
            strip_at(strips, side, y1, x0, hc, wc),
            strip_at(strips, side, y1, x1, hc, wc),
            down,
            across,
        )
        most_cut = tl.maximum(most_cut, cut)
    return most_cut


@triton.jit
def find_ends(cells, opened, reach, ends, pid, hc, wc, rows: tl.constexpr, block: tl.constexpr,
              chunk: tl.constexpr):  # fmt: skip
    """In which cell the screen begins, seen from the left, from the right, from above."""
    programs: tl.constexpr = rows // block
    side, row = pid // programs, pid % programs * block + tl.arange(0, block)
    some = tl.load(reach + 4) > 0
    height, width = tl.where(side == 2, wc, hc), tl.where(side == 2, hc, wc)
    down, across = tl.where(side == 2, 1, wc), tl.where(side == 2, wc, 1)
    start = tl.where(side == 1, wc - 1, 0)
    across = tl.where(side == 1, -1, across)
    first = tl.zeros((block,), tl.int32) + (1 << 20)
    for at in range(0, width, chunk):
        column = at + tl.arange(0, chunk)
        there = (row < height)[:, None] & (column < width)[None, :]
        place = start + (row * down)[:, None] + (column * across)[None, :]
        one = screen_at(cells, opened, some, place, there)
        first = tl.minimum(first, tl.min(tl.where(one, column[None, :], 1 << 20), 1))
    tl.store(ends + side * rows + row, first.to(tl.float32))


@triton.jit
def begin_strip(ends, strips, held, side, hc, wc, rows: tl.constexpr):
    """Whether a side may be a strip, and the slope of its line; by one program each.

    Stored for each side are whether it is plainly a strip, and the line's slope, start and rows.
    """
    height, width = tl.where(side == 2, wc, hc), tl.where(side == 2, hc, wc)
    row = tl.arange(0, rows)
    held += side * rows
    first = tl.load(ends + side * rows + row)
    seen = first < (1 << 20)
    long = tl.sum(seen.to(tl.int32), 0)
    plain = (width >= 12) & (long >= 12) & (long >= 0.6 * height)
    plain = plain & (tl.sum((seen & (row < long)).to(tl.int32), 0) == long)
    # The middle end lies at 2 or further in.
    close = tl.sum(((first < 2) & (row < long)).to(tl.int32), 0)
    plain = plain & (close <= (long - 1) // 2)
    tl.store(strips + side * 4, plain.to(tl.float32))
    tl.store(strips + side * 4 + 3, long.to(tl.float32))
    if plain:
        # Theil and Sen's line over pairs half the height apart.
        half = long // 2
        apart = long - half
        far = tl.load(ends + side * rows + row + apart, mask=row < half, other=0.0)
        slopes = tl.where(row < half, (far - first) / tl.maximum(apart, 1), 0.0)
        tl.store(strips + side * 4 + 1, lower_median(slopes, half, held, rows))


@triton.jit
def end_strip(cells, opened, reach, ends, strips, held, side, hc, wc, rows: tl.constexpr):
    """The rest of a side's line, and whether that is straight and screen along it."""
    some = tl.load(reach + 4) > 0
    width = tl.where(side == 2, hc, wc)
    down, across = tl.where(side == 2, 1, wc), tl.where(side == 2, wc, 1)
    start = tl.where(side == 1, wc - 1, 0)
    across = tl.where(side == 1, -1, across)
    row = tl.arange(0, rows)
    held += side * rows
    long = tl.load(strips + side * 4 + 3).to(tl.int32)
    slope = tl.load(strips + side * 4 + 1)
    plain = tl.load(strips + side * 4) > 0
    inside = row < long
    if plain == 0:
        tl.store(strips + 12 + side * 4, 0.0)
    else:
        begins = tl.where(inside, tl.load(ends + side * rows + row), 0.0)
        crossing = lower_median(begins - slope * row, long, held, rows)
        line = crossing + slope * row
        plain = plain & (tl.abs(slope) <= 0.2)
        plain = plain & (tl.max(tl.where(inside, line, 0.0), 0) <= 0.35 * width)
        plain = plain & (tl.min(tl.where(inside, line, 1e9), 0) >= 1)
        bent = inside & (tl.abs(begins - line) > 1.25)
        plain = plain & (tl.sum(bent.to(tl.int32), 0) == 0)
        beside, solid = tl.zeros((rows,), tl.float32), tl.zeros((rows,), tl.float32)
        from_column = tl.maximum(line, 0.0).to(tl.int32)
        for k in tl.static_range(6):
            column = from_column + k
            past = column.to(tl.float32) - line
            there = inside & (past >= 1.5) & (past < 4) & (column < width)
            one = screen_at(cells, opened, some, start + row * down + column * across, there)
            beside += there.to(tl.float32)
            solid += (there & one).to(tl.float32)
        plain = plain & (tl.sum(solid, 0) >= 0.995 * tl.sum(beside, 0))
        tl.store(strips + 12 + side * 4, plain.to(tl.float32))
        tl.store(strips + 13 + side * 4, slope)
        tl.store(strips + 14 + side * 4, crossing)
        tl.store(strips + 15 + side * 4, long.to(tl.float32))
