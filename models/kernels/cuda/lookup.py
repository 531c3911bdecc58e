"""Fields looked up at pixels, and the window that they say a subject is in, in Triton."""

from __future__ import annotations

# ruff: noqa: N803  constants of a kernel in capitals, as Triton writes them
# mypy: disable-error-code="no-untyped-def,no-untyped-call,untyped-decorator,misc"
import triton
import triton.language as tl


@triton.jit
def four_at_places(packed, a, b, c, d, fy, fx, ROWS: tl.constexpr, COLUMNS: tl.constexpr):
    """Four fields that lie side by side, linear between their values: (COLUMNS, ROWS) each."""
    k = tl.arange(0, 4)[None, None, :]
    by_y, by_x = fy[:, :, None], fx[:, :, None]
    one = tl.load(packed + (a * 4)[:, :, None] + k)
    two = tl.load(packed + (c * 4)[:, :, None] + k)
    one += (tl.load(packed + (b * 4)[:, :, None] + k) - one) * by_x
    two += (tl.load(packed + (d * 4)[:, :, None] + k) - two) * by_x
    one += (two - one) * by_y
    even, odd = tl.split(tl.reshape(one, (COLUMNS, ROWS, 2, 2)))
    first, third = tl.split(even)
    second, fourth = tl.split(odd)
    return first, second, third, fourth


@triton.jit
def corners(y, x, high, wide):
    """Where the four values around each pixel of a tile lie, and how far it is between them.

    A tile's columns come first: where the compiler cannot see that neighbours lie beside each
    other, it gives them to neighbouring threads along the first axis.
    """
    y0, x0 = tl.floor(y).to(tl.int32), tl.floor(x).to(tl.int32)
    y1 = tl.minimum(y0 + 1, high - 1)[None, :] * wide
    x1 = tl.minimum(x0 + 1, wide - 1)[:, None]
    fy, fx = (y - y0)[None, :], (x - x0)[:, None]
    y0, x0 = y0[None, :] * wide, x0[:, None]
    return y0 + x0, y0 + x1, y1 + x0, y1 + x1, fy, fx


@triton.jit
def free_places(i, by):
    """Places of pixels along an axis of a field, also beyond its ends."""
    return (i + 0.5) * by - 0.5


@triton.jit
def places(i, by, most):
    """Places of pixels along an axis of a field, at most at its ends."""
    return tl.minimum(tl.maximum(free_places(i, by), 0.0), most - 1.0)


@triton.jit
def anything_near(fields, y, y_end, x, x_end, high, wide):
    """Whether any value that places between two on each axis lean on is near or solid."""
    top, left = tl.floor(y).to(tl.int32), tl.floor(x).to(tl.int32)
    bottom = tl.minimum(tl.floor(y_end).to(tl.int32) + 1, high - 1)
    right = tl.minimum(tl.floor(x_end).to(tl.int32) + 1, wide - 1)
    most = tl.zeros((4, 8), tl.float32)
    near = fields + 3 * high * wide
    for i in range(top, bottom + 1, 4):
        for j in range(left, right + 1, 8):
            ny = i + tl.arange(0, 4)[:, None]
            nx = j + tl.arange(0, 8)[None, :]
            used = (ny <= bottom) & (nx <= right)
            most += tl.load(near + ny * wide + nx, used, 0.0)
            most += tl.load(near + high * wide + ny * wide + nx, used, 0.0)
    return tl.max(tl.max(most, 1), 0) > 0


@triton.jit
def window(told, ints, floats, extent_h, extent_w, origin_r, origin_c):
    """First and last row and column of the window that may hold anything but screen."""
    shrink = tl.load(floats + 12)
    row_low = tl.floor(tl.load(told + 4) * shrink).to(tl.int32) - origin_r
    row_high = tl.ceil(tl.load(told + 5) * shrink).to(tl.int32) - origin_r - 1
    column_low = tl.floor(tl.load(told + 6) * shrink).to(tl.int32) - origin_c
    column_high = tl.ceil(tl.load(told + 7) * shrink).to(tl.int32) - origin_c - 1
    row_low, row_high = tl.maximum(row_low, 0), tl.minimum(row_high, extent_h - 1)
    column_low, column_high = tl.maximum(column_low, 0), tl.minimum(column_high, extent_w - 1)
    return row_low, row_high, column_low, column_high
