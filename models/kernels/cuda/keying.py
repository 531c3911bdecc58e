"""Planes to picture in one Triton kernel: the live grade of `models.keyer`, pixel by pixel.

A tile under which nothing of a subject can be copies the bare picture. Elsewhere planes become
linear light, the matte's questions are asked, and only where a tile has pixels to ask about does
the network run.
"""

from __future__ import annotations

# mypy: disable-error-code="no-untyped-def,no-untyped-call,untyped-decorator,misc"
import triton
import triton.language as tl

from models.kernels.cuda.decoding import shown
from models.kernels.cuda.laying import copied, laid, put_alpha, stored
from models.kernels.cuda.network import alpha_of


@triton.jit
def _at(field, a, b, c, d, fy, fx):
    """A field at single places, linear between its values."""
    upper = tl.load(field + a) * (1 - fx) + tl.load(field + b) * fx
    lower = tl.load(field + c) * (1 - fx) + tl.load(field + d) * fx
    return upper * (1 - fy) + lower * fy


@triton.jit
def anything_near(fields, y, x, high, wide, ACROSS: tl.constexpr, NODES: tl.constexpr):
    """Whether any value under a tile is near or solid; y and x as the tile's places among them."""
    near = fields + 3 * high * wide
    solid = near + high * wide
    if NODES > 0:
        node = tl.arange(0, NODES)
        ny = tl.floor(tl.min(y, 0)).to(tl.int32) + node // ACROSS
        nx = tl.floor(tl.min(x, 0)).to(tl.int32) + node % ACROSS
        used = (node < ACROSS * ACROSS) & (ny < high) & (nx < wide)
        at = ny * wide + nx
        most = tl.load(near + at, used, 0.0) + tl.load(solid + at, used, 0.0)
        return tl.max(most, 0) > 0
    else:
        y0, x0 = tl.floor(y).to(tl.int32)[:, None], tl.floor(x).to(tl.int32)[None, :]
        y1, x1 = tl.minimum(y0 + 1, high - 1), tl.minimum(x0 + 1, wide - 1)
        most = tl.load(near + y0 * wide + x0) + tl.load(solid + y0 * wide + x0)
        most += tl.load(near + y0 * wide + x1) + tl.load(solid + y0 * wide + x1)
        most += tl.load(near + y1 * wide + x0) + tl.load(solid + y1 * wide + x0)
        most += tl.load(near + y1 * wide + x1) + tl.load(solid + y1 * wide + x1)
        return tl.max(tl.max(most, 1), 0) > 0


@triton.jit
def keyed_kernel(
    first, second, third, stride_r, stride_c, chroma_r, chroma_c,
    plane_high, plane_wide, chroma_high, chroma_wide,
    y0_code, y_by, c0_code, c_by, cr_red, cb_green, cr_green, cb_blue,
    reduced, fields, field_high, field_wide, shapes_high, shapes_wide, told,
    table, table_small, pixel, second_layer, rest, ints, floats,
    below, gain, offset, bare, picture, alpha_out, high, wide,
    black, by_span, despill, given_back,
    TURNS: tl.constexpr, RGB: tl.constexpr, HALF_R: tl.constexpr, HALF_C: tl.constexpr,
    SITED_R: tl.constexpr, SITED_C: tl.constexpr, CURVE: tl.constexpr,
    REDUCED: tl.constexpr, ONLY_KEY: tl.constexpr, FIRST: tl.constexpr, GAINS: tl.constexpr,
    ALPHA: tl.constexpr, PACKED: tl.constexpr,
    ACROSS: tl.constexpr, NODES: tl.constexpr,
    ACROSS_SMALL: tl.constexpr, NODES_SMALL: tl.constexpr,
):  # fmt: skip
    """One tile of a picture, or with ``ONLY_KEY`` of the premultiplied subject.

    ``ints`` and ``floats`` are one buffer: where the frame lies, see `models.kernels.cuda.places`.
    """
    tiles = tl.cdiv(wide, 28)
    tile = tl.program_id(0)
    top = tile // tiles * 30 - 1
    left = tile % tiles * 28 - 2
    row = top + tl.arange(0, 32)
    column = left + tl.arange(0, 32)
    extent_h, extent_w = tl.load(ints + 3), tl.load(ints + 4)
    origin_r, origin_c = tl.load(ints + 5), tl.load(ints + 6)
    mirrored = tl.load(ints + 2)
    step = 1 - 2 * mirrored
    r = row - tl.load(ints)
    c = column - tl.load(ints + 1)
    c = mirrored * (extent_w - 1) + step * c
    shrink = tl.load(floats + 12)
    row_low = tl.floor(tl.load(told + 4) * shrink).to(tl.int32) - origin_r
    row_high = tl.ceil(tl.load(told + 5) * shrink).to(tl.int32) - origin_r - 1
    column_low = tl.floor(tl.load(told + 6) * shrink).to(tl.int32) - origin_c
    column_high = tl.ceil(tl.load(told + 7) * shrink).to(tl.int32) - origin_c - 1
    row_low, row_high = tl.maximum(row_low, 0), tl.minimum(row_high, extent_h - 1)
    column_low, column_high = tl.maximum(column_low, 0), tl.minimum(column_high, extent_w - 1)
    inside = ((r >= row_low) & (r <= row_high))[:, None]
    inside = inside & ((c >= column_low) & (c <= column_high))[None, :]
    inside = inside & ((row >= 0) & (row < high))[:, None]
    inside = inside & ((column >= 0) & (column < wide))[None, :]
    y = (r + origin_r + 0.5) * tl.load(floats + 8) - 0.5
    y = tl.minimum(tl.maximum(y, 0.0), field_high - 1.0)
    x = (c + origin_c + 0.5) * tl.load(floats + 9) - 0.5
    x = tl.minimum(tl.maximum(x, 0.0), field_wide - 1.0)
    found = tl.load(told + 1) > 0
    near_here = anything_near(fields, y, x, field_high, field_wide, ACROSS, NODES) | (
        found == 0
    )
    some = tl.max(tl.max(inside.to(tl.int32), 1), 0) > 0
    if near_here & some:
        if REDUCED:
            # Reduced before, in the picture's own pixels, with one more around.
            at = tl.minimum(tl.maximum(row + 1, 0), high + 1)[:, None] * (wide + 2)
            at += tl.minimum(tl.maximum(column + 1, 0), wide + 1)[None, :]
            area = (high + 2) * (wide + 2)
            red = tl.load(reduced + at)
            green = tl.load(reduced + area + at)
            blue = tl.load(reduced + 2 * area + at)
        else:
            at_r = tl.minimum(tl.maximum(r, 0), extent_h - 1) + origin_r
            at_c = tl.minimum(tl.maximum(c, 0), extent_w - 1) + origin_c
            red, green, blue = shown(
                first, second, third, at_r[:, None], at_c[None, :],
                stride_r, stride_c, chroma_r, chroma_c,
                plane_high, plane_wide, chroma_high, chroma_wide,
                y0_code, y_by, c0_code, c_by, cr_red, cb_green, cr_green, cb_blue,
                TURNS, RGB, HALF_R, HALF_C, SITED_R, SITED_C, CURVE,
            )  # fmt: skip
        if found:
            n = field_high * field_wide
            fy0, fx0 = tl.floor(y).to(tl.int32), tl.floor(x).to(tl.int32)
            fy1 = tl.minimum(fy0 + 1, field_high - 1)[:, None] * field_wide
            fx1 = tl.minimum(fx0 + 1, field_wide - 1)[None, :]
            fy, fx = (y - fy0)[:, None], (x - fx0)[None, :]
            fy0, fx0 = fy0[:, None] * field_wide, fx0[None, :]
            a, b, c0, d = fy0 + fx0, fy0 + fx1, fy1 + fx0, fy1 + fx1
            back_r = _at(fields, a, b, c0, d, fy, fx)
            back_g = _at(fields + n, a, b, c0, d, fy, fx)
            back_b = _at(fields + 2 * n, a, b, c0, d, fy, fx)
            near = _at(fields + 3 * n, a, b, c0, d, fy, fx)
            solid = _at(fields + 4 * n, a, b, c0, d, fy, fx)
            hold_out = _at(fields + 5 * n, a, b, c0, d, fy, fx)
            green_screen = tl.load(told + 2) < 1.5
            key = tl.where(green_screen, green, blue)
            other = tl.where(green_screen, blue, green)
            back_key = tl.where(green_screen, back_g, back_b)
            back_other = tl.where(green_screen, back_b, back_g)
            full = tl.maximum(back_key - tl.maximum(back_r, back_other), 1e-3)
            rough = (1 - (key - tl.maximum(red, other)) / full) * (1 - hold_out)
            whole = (solid > 0.99) & (rough > 0.5)
            asked = (near > 0) & (whole == 0) & inside
            alpha = (whole & inside).to(tl.float32)
            if tl.max(tl.max(asked.to(tl.int32), 1), 0) > 0:
                luma = 0.2126 * red + 0.7152 * green + 0.0722 * blue
                small_y = (r + origin_r + 0.5) * tl.load(floats + 10) - 0.5
                small_y = tl.minimum(tl.maximum(small_y, 0.0), shapes_high - 1.0)
                small_x = (c + origin_c + 0.5) * tl.load(floats + 11) - 0.5
                small_x = tl.minimum(tl.maximum(small_x, 0.0), shapes_wide - 1.0)
                guess = alpha_of(
                    rough, luma, key, red, other, tl.maximum(back_key, 0.005), 0, 0,
                    tl.min(r, 0), 0, row_low, row_high,
                    mirrored * tl.max(c, 0) + (1 - mirrored) * tl.min(c, 0), step,
                    column_low, column_high,
                    table, y, x, field_high, field_wide,
                    table_small, small_y, small_x, shapes_high, shapes_wide,
                    pixel, second_layer, rest,
                    32, ACROSS, NODES, ACROSS_SMALL, NODES_SMALL,
                )  # fmt: skip
                guess = tl.minimum(tl.maximum((guess - black) * by_span, 0.0), 1.0)
                alpha = tl.where(asked, guess, alpha)
                front_r = _at(fields + 6 * n, a, b, c0, d, fy, fx)
                front_g = _at(fields + 7 * n, a, b, c0, d, fy, fx)
                front_b = _at(fields + 8 * n, a, b, c0, d, fy, fx)
                clear = 1 - alpha
                doubt = 0.05 * clear
                by = 1 / tl.maximum(alpha * alpha + doubt, 1e-6)
                mixed = (alpha * (red - clear * back_r) + doubt * front_r) * by
                red = tl.where(asked, tl.maximum(mixed, 0.0), red)
                mixed = (alpha * (green - clear * back_g) + doubt * front_g) * by
                green = tl.where(asked, tl.maximum(mixed, 0.0), green)
                mixed = (alpha * (blue - clear * back_b) + doubt * front_b) * by
                blue = tl.where(asked, tl.maximum(mixed, 0.0), blue)
                key = tl.where(green_screen, green, blue)
                other = tl.where(green_screen, blue, green)
            own_key = _at(fields + 9 * n, a, b, c0, d, fy, fx)
            t = tl.minimum(tl.maximum((own_key - 0.02) * 10, 0.0), 1.0)
            own_key = own_key * (t * t * (3 - 2 * t)) + 0.5
            limit = tl.minimum(tl.maximum(red, other), (red + other) * own_key)
            back_limit = tl.maximum(back_r, back_other)
            back_limit = tl.minimum(back_limit, (back_r + back_other) * own_key)
            share = (key - limit) / tl.maximum(back_key - back_limit, 1e-3)
            share = tl.minimum(tl.maximum(share, 0.0), 1.0) * despill
            grey = (0.2126 * back_r + 0.7152 * back_g + 0.0722 * back_b) * given_back
            red = tl.minimum(tl.maximum(red + share * (grey - back_r), 0.0), 1.0)
            green = tl.minimum(tl.maximum(green + share * (grey - back_g), 0.0), 1.0)
            blue = tl.minimum(tl.maximum(blue + share * (grey - back_b), 0.0), 1.0)
        else:
            alpha = inside.to(tl.float32)
        red, green, blue = red * alpha, green * alpha, blue * alpha
        if ONLY_KEY:
            put_alpha(alpha_out, red, top, left, high, wide)
            put_alpha(alpha_out + high * wide, green, top, left, high, wide)
            put_alpha(alpha_out + 2 * high * wide, blue, top, left, high, wide)
            put_alpha(alpha_out + 3 * high * wide, alpha, top, left, high, wide)
        else:
            seen = ((row >= 0) & (row < high))[:, None] & ((column >= 0) & (column < wide))[None, :]
            code = laid(
                red, green, blue, alpha, below, gain, offset, row[:, None], column[None, :], seen,
                high * wide, wide, GAINS,
            )  # fmt: skip
            stored(picture, code, top, left, high, wide, PACKED)
            if ALPHA:
                put_alpha(alpha_out, alpha, top, left, high, wide)
    elif ONLY_KEY:
        nothing = tl.zeros((32, 32), tl.float32)
        for k in tl.static_range(4):
            put_alpha(alpha_out + k * high * wide, nothing, top, left, high, wide)
    elif FIRST:
        copied(bare, picture, top, left, high, wide, PACKED)
        if ALPHA:
            put_alpha(alpha_out, tl.zeros((32, 32), tl.float32), top, left, high, wide)
