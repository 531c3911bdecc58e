"""The end of a pixel's way in Triton: unmixed, spill taken out, then stored or laid."""

from __future__ import annotations

# ruff: noqa: N803  constants of a kernel in capitals, as Triton writes them
# mypy: disable-error-code="no-untyped-def,no-untyped-call,untyped-decorator,misc"
import triton
import triton.language as tl

from models.kernels.cuda.laying import laid, put, stored


@triton.jit
def unmixed(light, alpha, back, front):
    """`models.despill.unmix` of a channel."""
    clear = 1 - alpha
    doubt = 0.05 * clear
    by = 1 / tl.maximum(alpha * alpha + doubt, 1e-6)
    return tl.maximum((alpha * (light - clear * back) + doubt * front) * by, 0.0)


@triton.jit
def despilled(red, green, blue, back_r, back_g, back_b, own_key, is_green, amount, given_back):
    """`models.despill.despill` as `models.solver` asks for it."""
    t = tl.minimum(tl.maximum((own_key - 0.02) * 10, 0.0), 1.0)
    own_key = own_key * (t * t * (3 - 2 * t)) + 0.5
    key, other = tl.where(is_green, green, blue), tl.where(is_green, blue, green)
    back_key = tl.where(is_green, back_g, back_b)
    back_other = tl.where(is_green, back_b, back_g)
    limit = tl.minimum(tl.maximum(red, other), (red + other) * own_key)
    back_limit = tl.minimum(tl.maximum(back_r, back_other), (back_r + back_other) * own_key)
    share = (key - limit) / tl.maximum(back_key - back_limit, 1e-3)
    share = tl.minimum(tl.maximum(share, 0.0), 1.0) * amount
    grey = (0.2126 * back_r + 0.7152 * back_g + 0.0722 * back_b) * given_back
    red = tl.minimum(tl.maximum(red + share * (grey - back_r), 0.0), 1.0)
    green = tl.minimum(tl.maximum(green + share * (grey - back_g), 0.0), 1.0)
    blue = tl.minimum(tl.maximum(blue + share * (grey - back_b), 0.0), 1.0)
    return red, green, blue


@triton.jit
def finished(
    red, green, blue, alpha, inside, below, gain, offset, picture, alpha_out,
    top, left, high, wide, FIRST: tl.constexpr,
    ONLY_KEY: tl.constexpr, GAINS: tl.constexpr, ALPHA: tl.constexpr, PACKED: tl.constexpr,
    ROWS: tl.constexpr, COLUMNS: tl.constexpr,
):  # fmt: skip
    """Store pixels of a quarter of a tile: premultiplied, or laid into the scene."""
    red, green, blue = red * alpha, green * alpha, blue * alpha
    row = top + tl.arange(0, ROWS)[None, :]
    column = left + tl.arange(0, COLUMNS)[:, None]
    seen = (row >= 0) & (row < high) & (column >= 0) & (column < wide)
    if ONLY_KEY:
        area, kept = high * wide, tl.trans(seen)
        put(alpha_out, tl.trans(red), kept, top, left, high, wide, ROWS, COLUMNS)
        put(alpha_out + area, tl.trans(green), kept, top, left, high, wide, ROWS, COLUMNS)
        put(alpha_out + 2 * area, tl.trans(blue), kept, top, left, high, wide, ROWS, COLUMNS)
        put(alpha_out + 3 * area, tl.trans(alpha), kept, top, left, high, wide, ROWS, COLUMNS)
    else:
        if not FIRST:
            seen = seen & inside  # beside it stands another subject
        code = laid(
            red, green, blue, alpha, below, gain, offset, row, column, seen, high * wide, wide,
            GAINS,
        )  # fmt: skip
        kept = tl.trans(seen)
        stored(picture, tl.trans(code), kept, top, left, high, wide, ROWS, COLUMNS, PACKED)
        if ALPHA:
            put(alpha_out, tl.trans(alpha), kept, top, left, high, wide, ROWS, COLUMNS)
