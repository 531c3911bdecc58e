"""A tile of a frame made smaller before it is keyed, antialiased in linear light, in Triton.

The filter is that of torch's ``interpolate(mode="bilinear", antialias=True)``: a triangle as wide
as the reduction.
"""

from __future__ import annotations

# ruff: noqa: N803  constants of a kernel in capitals, as Triton writes them
# mypy: disable-error-code="no-untyped-def,no-untyped-call,untyped-decorator,misc"
import triton
import triton.language as tl

from models.kernels.cuda.decoding import shown


@triton.jit
def _taps(at, by, have):
    """First tap, how many, and the middle of each pixel's triangle."""
    middle = by * (at + 0.5)
    reach = tl.maximum(by, 1.0)
    first = tl.maximum((middle - reach + 0.5).to(tl.int32), 0)
    last = tl.minimum((middle + reach + 0.5).to(tl.int32), have)
    return first, last - first, middle


@triton.jit
def _weight(k, first, count, middle, by):
    off = tl.abs((k + first - middle + 0.5) / tl.maximum(by, 1.0))
    return tl.where(k < count, tl.maximum(1 - off, 0.0), 0.0)


@triton.jit
def reduced(
    first, second, third, r, c, ints, floats,
    stride_r, stride_c, chroma_r, chroma_c, plane_high, plane_wide, chroma_high, chroma_wide,
    y0_code, y_by, c0_code, c_by, cr_red, cb_green, cr_green, cb_blue,
    TURNS: tl.constexpr, RGB: tl.constexpr, HALF_R: tl.constexpr, HALF_C: tl.constexpr,
    SITED_R: tl.constexpr, SITED_C: tl.constexpr, CURVE: tl.constexpr,
    ROWS: tl.constexpr, COLUMNS: tl.constexpr,
):  # fmt: skip
    """Linear light at rows ``r`` and columns ``c`` of the reduced window."""
    by_y, by_x = tl.load(floats + 20), tl.load(floats + 21)
    from_h, from_w = tl.load(ints + 22), tl.load(ints + 23)
    from_top, from_left = tl.load(ints + 24), tl.load(ints + 25)
    first_y, count_y, middle_y = _taps(r, by_y, from_h)
    first_x, count_x, middle_x = _taps(c, by_x, from_w)
    red = tl.zeros((ROWS, COLUMNS), tl.float32)
    green = tl.zeros((ROWS, COLUMNS), tl.float32)
    blue = tl.zeros((ROWS, COLUMNS), tl.float32)
    sum_y = tl.zeros((ROWS,), tl.float32)
    for j in range(0, tl.max(count_y, 0)):
        weight_y = _weight(j, first_y, count_y, middle_y, by_y)
        sum_y += weight_y
        at_r = tl.minimum(first_y + j, from_h - 1) + from_top
        for k in range(0, tl.max(count_x, 0)):
            weight_x = _weight(k, first_x, count_x, middle_x, by_x)
            at_c = tl.minimum(first_x + k, from_w - 1) + from_left
            one, two, three = shown(
                first, second, third, at_r[:, None], at_c[None, :],
                stride_r, stride_c, chroma_r, chroma_c,
                plane_high, plane_wide, chroma_high, chroma_wide,
                y0_code, y_by, c0_code, c_by, cr_red, cb_green, cr_green, cb_blue,
                TURNS, RGB, HALF_R, HALF_C, SITED_R, SITED_C, CURVE,
            )  # fmt: skip
            weight = weight_y[:, None] * weight_x[None, :]
            red += one * weight
            green += two * weight
            blue += three * weight
    sum_x = tl.zeros((COLUMNS,), tl.float32)
    for k in range(0, tl.max(count_x, 0)):
        sum_x += _weight(k, first_x, count_x, middle_x, by_x)
    by = 1 / (sum_y[:, None] * sum_x[None, :])
    return red * by, green * by, blue * by
