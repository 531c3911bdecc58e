# mypy: disable-error-code="no-untyped-def,no-untyped-call,untyped-decorator,misc"
"""A frame brought to analysis size: pooled, and as single pixels; upright, linear Rec.709.

As `models.upright.Upright.reduced` and ``sampled``, with `models.planes` and `models.color`.
"""

from __future__ import annotations

import triton
import triton.language as tl

from models.kernels.cuda.decoding import decoded
from models.kernels.cuda.neighbourhood import (
    between,
    kernel,
    mixed,
    tile_places,
    whole_means,
)

SAME, SCALED, SITED = tl.constexpr(0), tl.constexpr(1), tl.constexpr(2)
"""How pooled chroma meets pooled luma: at the same places, scaled to them, or by its siting."""


@triton.jit
def pooled(plane, stride_y, stride_x, y, x, height, width, down: tl.constexpr,
           across: tl.constexpr, wide: tl.constexpr, inside):  # fmt: skip
    """`pyramid.pool` of a plane of codes at single places."""
    columns = (x * across)[:, None] + tl.arange(0, wide)[None, :]
    there = inside[:, None] & (tl.arange(0, wide) < across)[None, :] & (columns < width)
    total = tl.zeros(columns.shape, tl.float32)
    for i in tl.static_range(down):
        row = y * down + i
        taken = tl.load(
            plane + (row * stride_y)[:, None] + columns * stride_x,
            mask=there & (row < height)[:, None],
            other=0,
        )
        total += taken.to(tl.float32)
    count = tl.minimum(height - y * down, down) * tl.minimum(width - x * across, across)
    return tl.sum(total, 1) / tl.maximum(count, 1).to(tl.float32)


@triton.jit
def sited(i, have, centred: tl.constexpr):
    """As `between`, for halved chroma that is brought to luma's places by its siting."""
    if centred:
        last = (i + 1) // 2
        first = tl.minimum(tl.maximum(last - 1, 0), have - 1)
        return first, tl.minimum(last, have - 1), tl.where(i % 2 == 0, 0.75, 0.25)
    first = tl.minimum(i // 2, have - 1)
    return first, tl.minimum(first + 1, have - 1), tl.where(i % 2 == 0, 0.0, 0.5)


@triton.jit
def chroma(second, third, second_y, second_x, third_y, third_x, y, x, have_h, have_w, full_h,
           full_w, pooled_h, pooled_w, down: tl.constexpr, across: tl.constexpr,
           wide: tl.constexpr, way: tl.constexpr, centred_y: tl.constexpr,
           centred_x: tl.constexpr, inside):  # fmt: skip
    """The two chroma planes pooled, at single places of pooled luma."""
    if way == SAME:
        cb = pooled(second, second_y, second_x, y, x, have_h, have_w, down, across, wide, inside)
        cr = pooled(third, third_y, third_x, y, x, have_h, have_w, down, across, wide, inside)
        return cb, cr
    if way == SCALED:
        y0, y1, dy = between(y, (have_h + down - 1) // down, pooled_h)
        x0, x1, dx = between(x, (have_w + across - 1) // across, pooled_w)
    else:
        y0, y1, dy = y, y, y * 0.0
        x0, x1, dx = x, x, x * 0.0
        if have_h != full_h:
            y0, y1, dy = sited(y, have_h, centred_y)
        if have_w != full_w:
            x0, x1, dx = sited(x, have_w, centred_x)
    cb = mixed(
        pooled(second, second_y, second_x, y0, x0, have_h, have_w, down, across, wide, inside),
        pooled(second, second_y, second_x, y0, x1, have_h, have_w, down, across, wide, inside),
        pooled(second, second_y, second_x, y1, x0, have_h, have_w, down, across, wide, inside),
        pooled(second, second_y, second_x, y1, x1, have_h, have_w, down, across, wide, inside),
        dy,
        dx,
    )
    cr = mixed(
        pooled(third, third_y, third_x, y0, x0, have_h, have_w, down, across, wide, inside),
        pooled(third, third_y, third_x, y0, x1, have_h, have_w, down, across, wide, inside),
        pooled(third, third_y, third_x, y1, x0, have_h, have_w, down, across, wide, inside),
        pooled(third, third_y, third_x, y1, x1, have_h, have_w, down, across, wide, inside),
        dy,
        dx,
    )
    return cb, cr


@triton.jit
def stored(out, place, plane, one, two, three, y0, y_scale, c0, c_scale, r_cr, g_cb, g_cr, b_cb,
           transfer: tl.constexpr, components: tl.constexpr, inside):  # fmt: skip
    """Codes to linear light; stored, and handed back."""
    if components:
        red, green, blue = (one - y0) * y_scale, (two - y0) * y_scale, (three - y0) * y_scale
    else:
        luma, cb, cr = (one - y0) * y_scale, (two - c0) * c_scale, (three - c0) * c_scale
        red = luma + r_cr * cr
        green = luma + g_cb * cb + g_cr * cr
        blue = luma + b_cb * cb
    red = decoded(tl.minimum(tl.maximum(red, 0.0), 1.0), transfer)
    green = decoded(tl.minimum(tl.maximum(green, 0.0), 1.0), transfer)
    blue = decoded(tl.minimum(tl.maximum(blue, 0.0), 1.0), transfer)
    tl.store(out + place, red, mask=inside)
    tl.store(out + plane + place, green, mask=inside)
    tl.store(out + 2 * plane + place, blue, mask=inside)
    return red, green, blue


@kernel
def reduce_frame(first, second, third, first_y, first_x, second_y, second_x, third_y, third_x,
                 small, sampled, small8, reach, height, width, chroma_h, chroma_w,
                 h, w, pooled_h, pooled_w, y0, y_scale, c0, c_scale, r_cr, g_cb, g_cr, b_cb,
                 factor: tl.constexpr, wide: tl.constexpr, down: tl.constexpr,
                 across: tl.constexpr, chroma_wide: tl.constexpr, way: tl.constexpr,
                 centred_y: tl.constexpr, centred_x: tl.constexpr, turns: tl.constexpr,
                 transfer: tl.constexpr, components: tl.constexpr,
                 tiles: tl.constexpr):  # fmt: skip
    """Planes to the pooled frame, to single pixels of it, and to its means over eight by eight."""
    pid = tl.program_id(0)
    if pid == 0:
        # What later kernels narrow: first row, last row, first column, last column.
        tl.store(reach, 1 << 30)
        tl.store(reach + 1, -1)
        tl.store(reach + 2, 1 << 30)
        tl.store(reach + 3, -1)
        # Whether cells are left when they are opened; whether anything changed below the screen.
        tl.store(reach + 4, 0)
        tl.store(reach + 5, 0)
    y, x, inside = tile_places(pid, h, w, tiles)
    row, column = y, x
    if turns == 1:
        row, column = pooled_h - 1 - x, y
    if turns == 2:
        row, column = pooled_h - 1 - y, pooled_w - 1 - x
    if turns == 3:
        row, column = x, pooled_w - 1 - y
    n, place = h * w, y * w + x
    one = pooled(first, first_y, first_x, row, column, height, width, factor, factor, wide, inside)
    two, three = chroma(second, third, second_y, second_x, third_y, third_x, row, column,
                        chroma_h, chroma_w, height, width, pooled_h, pooled_w, down, across,
                        chroma_wide, way, centred_y, centred_x, inside)  # fmt: skip
    red, green, blue = stored(small, place, n, one, two, three, y0, y_scale, c0, c_scale, r_cr,
                              g_cb, g_cr, b_cb, transfer, components, inside)  # fmt: skip
    t = pid * tiles + tl.arange(0, tiles)
    n8 = ((h + 7) // 8) * ((w + 7) // 8)
    tl.store(small8 + t, whole_means(red, inside, tiles), mask=t < n8)
    tl.store(small8 + n8 + t, whole_means(green, inside, tiles), mask=t < n8)
    tl.store(small8 + 2 * n8 + t, whole_means(blue, inside, tiles), mask=t < n8)
    row, column = row * factor, column * factor
    c_row, c_column = row * chroma_h // height, column * chroma_w // width
    one = tl.load(first + row * first_y + column * first_x, mask=inside, other=0)
    two = tl.load(second + c_row * second_y + c_column * second_x, mask=inside, other=0)
    three = tl.load(third + c_row * third_y + c_column * third_x, mask=inside, other=0)
    stored(sampled, place, n, one.to(tl.float32), two.to(tl.float32), three.to(tl.float32), y0,
           y_scale, c0, c_scale, r_cr, g_cb, g_cr, b_cb, transfer, components,
           inside)  # fmt: skip
