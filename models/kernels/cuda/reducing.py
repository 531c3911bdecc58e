"""A frame made smaller before it is keyed, antialiased in linear light, in Triton.

The filter is that of torch's ``interpolate(mode="bilinear", antialias=True)``: a triangle as wide
as the reduction.
"""

from __future__ import annotations

# mypy: disable-error-code="no-untyped-def,no-untyped-call,untyped-decorator,misc"
import triton
import triton.language as tl

from models.kernels.cuda.decoding import shown
from models.kernels.cuda.keying import anything_near


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
def reduced_kernel(
    first, second, third, stride_r, stride_c, chroma_r, chroma_c,
    plane_high, plane_wide, chroma_high, chroma_wide,
    y0_code, y_by, c0_code, c_by, cr_red, cb_green, cr_green, cb_blue,
    fields, field_high, field_wide, told, ints, floats, out, high, wide,
    TURNS: tl.constexpr, RGB: tl.constexpr, HALF_R: tl.constexpr, HALF_C: tl.constexpr,
    SITED_R: tl.constexpr, SITED_C: tl.constexpr, CURVE: tl.constexpr,
):  # fmt: skip
    """Linear light of the frame at the picture's pixels and one more around: (3, H + 2, W + 2)."""
    tiles = tl.cdiv(wide + 2, 32)
    tile = tl.program_id(0)
    row = tile // tiles * 16 - 1 + tl.arange(0, 16)
    column = tile % tiles * 32 - 1 + tl.arange(0, 32)
    have_h, have_w = tl.load(ints + 3), tl.load(ints + 4)
    mirrored = tl.load(ints + 2)
    r = row - tl.load(ints)
    c = column - tl.load(ints + 1)
    c = mirrored * (have_w - 1) + (1 - 2 * mirrored) * c
    some = tl.max(((r >= 0) & (r < have_h)).to(tl.int32), 0)
    some = some * tl.max(((c >= 0) & (c < have_w)).to(tl.int32), 0)
    y = (r + tl.load(ints + 5) + 0.5) * tl.load(floats + 8) - 0.5
    y = tl.minimum(tl.maximum(y, 0.0), field_high - 1.0)
    x = (c + tl.load(ints + 6) + 0.5) * tl.load(floats + 9) - 0.5
    x = tl.minimum(tl.maximum(x, 0.0), field_wide - 1.0)
    # A kept pixel's neighbours may lie in a tile with nothing near.
    step_y, step_x = tl.load(floats + 8), tl.load(floats + 9)
    wider_y = tl.minimum(tl.maximum(y - step_y, 0.0), field_high - 1.0)
    lower_y = tl.minimum(tl.maximum(y + step_y, 0.0), field_high - 1.0)
    wider_x = tl.minimum(tl.maximum(x - step_x, 0.0), field_wide - 1.0)
    right_x = tl.minimum(tl.maximum(x + step_x, 0.0), field_wide - 1.0)
    near = anything_near(fields, y, x, field_high, field_wide, 0, 0)
    near = near | anything_near(fields, wider_y, wider_x, field_high, field_wide, 0, 0)
    near = near | anything_near(fields, wider_y, right_x, field_high, field_wide, 0, 0)
    near = near | anything_near(fields, lower_y, wider_x, field_high, field_wide, 0, 0)
    near = near | anything_near(fields, lower_y, right_x, field_high, field_wide, 0, 0)
    near = near | (tl.load(told + 1) == 0)
    if (some > 0) & near:
        by_y, by_x = tl.load(floats + 20), tl.load(floats + 21)
        from_h, from_w = tl.load(ints + 22), tl.load(ints + 23)
        from_top, from_left = tl.load(ints + 24), tl.load(ints + 25)
        r = tl.minimum(tl.maximum(r, 0), have_h - 1)
        c = tl.minimum(tl.maximum(c, 0), have_w - 1)
        first_y, count_y, middle_y = _taps(r, by_y, from_h)
        first_x, count_x, middle_x = _taps(c, by_x, from_w)
        red = tl.zeros((16, 32), tl.float32)
        green = tl.zeros((16, 32), tl.float32)
        blue = tl.zeros((16, 32), tl.float32)
        sum_y = tl.zeros((16,), tl.float32)
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
        sum_x = tl.zeros((32,), tl.float32)
        for k in range(0, tl.max(count_x, 0)):
            sum_x += _weight(k, first_x, count_x, middle_x, by_x)
        by = 1 / (sum_y[:, None] * sum_x[None, :])
        area = (high + 2) * (wide + 2)
        at = (row + 1)[:, None] * (wide + 2) + (column + 1)[None, :]
        kept = (row < high + 1)[:, None] & (column < wide + 1)[None, :]
        tl.store(out + at, red * by, kept)
        tl.store(out + area + at, green * by, kept)
        tl.store(out + 2 * area + at, blue * by, kept)
