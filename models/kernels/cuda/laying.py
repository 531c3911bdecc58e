"""Laying in Triton: a subject over what is below, encoded, the steps above it, codes.

A picture goes tile by tile; what has to be asked about goes by quarters of them. The
first tile begins a row and four columns before the picture, since a pixel at its edge leans on
neighbours beyond; four pixels of 8-bit codes are three whole words.
"""

from __future__ import annotations

# ruff: noqa: N803  constants of a kernel in capitals, as Triton writes them
# mypy: disable-error-code="no-untyped-def,no-untyped-call,untyped-decorator,misc"
import triton
import triton.language as tl

from models.kernels.cuda.decoding import encoded

ROWS, COLUMNS = 16, 64
"""Of a tile; a quarter of one has 8 by 32 pixels."""
HALF = 8, 16
"""Rows and columns of what is asked about at once: half a quarter."""
TOP, LEFT = 1, 4
"""Rows and columns before the picture."""


def tiles_of(high: int, wide: int) -> tuple[int, int]:
    """How many tiles a picture has, down and across."""
    return triton.cdiv(high + TOP + 1, ROWS), triton.cdiv(wide + LEFT + 1, COLUMNS)


@triton.jit
def _code(x):
    return tl.minimum(tl.maximum(x * 255 + 0.5, 0.0), 255.0).to(tl.int32)


@triton.jit
def laid(
    red, green, blue, alpha, below, gain, offset, rows, columns, seen, plane, wide,
    GAINS: tl.constexpr,
):  # fmt: skip
    """Codes of a premultiplied subject in a scene: red, then green and blue in higher bytes."""
    at = rows * wide + columns
    red += (1 - alpha) * tl.load(below + at, seen, 0.0).to(tl.float32)
    green += (1 - alpha) * tl.load(below + plane + at, seen, 0.0).to(tl.float32)
    blue += (1 - alpha) * tl.load(below + 2 * plane + at, seen, 0.0).to(tl.float32)
    red, green, blue = encoded(red), encoded(green), encoded(blue)
    if GAINS > 0:
        by = tl.load(gain + at, seen, 0.0).to(tl.float32)
        red = red * by + tl.load(offset + at, seen, 0.0).to(tl.float32)
        if GAINS == 3:
            by = tl.load(gain + plane + at, seen, 0.0).to(tl.float32)
        green = green * by + tl.load(offset + plane + at, seen, 0.0).to(tl.float32)
        if GAINS == 3:
            by = tl.load(gain + 2 * plane + at, seen, 0.0).to(tl.float32)
        blue = blue * by + tl.load(offset + 2 * plane + at, seen, 0.0).to(tl.float32)
    return _code(red) | (_code(green) << 8) | (_code(blue) << 16)


@triton.jit
def stored(
    picture, code, kept, top, left, high, wide,
    ROWS: tl.constexpr, COLUMNS: tl.constexpr, PACKED: tl.constexpr,
):  # fmt: skip
    """Store a tile's codes: ``kept`` pixels, or ``PACKED`` all of them in whole words."""
    row = tl.arange(0, ROWS)[:, None]
    column = tl.arange(0, COLUMNS)[None, :]
    there = (top + row >= 0) & (top + row < high)
    if PACKED:
        even, odd = tl.split(tl.reshape(code, (ROWS, COLUMNS // 4, 2, 2)))
        one, three = tl.split(even)
        two, four = tl.split(odd)
        first = left + 4 * tl.arange(0, COLUMNS // 4)[None, :]
        there = there & (first >= 0) & (first < wide)
        place = picture.to(tl.pointer_type(tl.int32)) + ((top + row) * wide + first) // 4 * 3
        tl.store(place, one | (two << 24), there)
        tl.store(place + 1, (two >> 8) | (three << 16), there)
        tl.store(place + 2, (three >> 16) | (four << 8), there)
    else:
        there = there & kept & (left + column >= 0) & (left + column < wide)
        place = picture + ((top + row) * wide + left + column) * 3
        tl.store(place, (code & 255).to(tl.uint8), there)
        tl.store(place + 1, ((code >> 8) & 255).to(tl.uint8), there)
        tl.store(place + 2, ((code >> 16) & 255).to(tl.uint8), there)


@triton.jit
def copied(
    bare, picture, top, left, high, wide,
    ROWS: tl.constexpr, COLUMNS: tl.constexpr, PACKED: tl.constexpr,
):  # fmt: skip
    """Copy a tile of the bare picture."""
    row = tl.arange(0, ROWS)[:, None]
    column = tl.arange(0, COLUMNS)[None, :]
    there = (top + row >= 0) & (top + row < high)
    if PACKED:
        first = left // 4 * 3 + column
        there = there & (column < COLUMNS // 4 * 3) & (first >= 0) & (first < wide // 4 * 3)
        at = (top + row) * (wide // 4 * 3) + first
        word = tl.load(bare.to(tl.pointer_type(tl.int32)) + at, there, 0)
        tl.store(picture.to(tl.pointer_type(tl.int32)) + at, word, there)
    else:
        there = there & (left + column >= 0) & (left + column < wide)
        at = ((top + row) * wide + left + column) * 3
        for k in tl.static_range(3):
            tl.store(picture + at + k, tl.load(bare + at + k, there, 0), there)


@triton.jit
def put(out, x, kept, top, left, high, wide, ROWS: tl.constexpr, COLUMNS: tl.constexpr):
    """Store a tile of a float32 picture."""
    row = top + tl.arange(0, ROWS)[:, None]
    column = left + tl.arange(0, COLUMNS)[None, :]
    there = kept & (row >= 0) & (row < high) & (column >= 0) & (column < wide)
    tl.store(out + row * wide + column, x, there)


@triton.jit
def sampled(plane, a, b, c, d, inside, fx, fy):
    """Between four values of a plane, above and below two by two."""
    upper = tl.load(plane + a, inside, 0.0) * (1 - fx) + tl.load(plane + b, inside, 0.0) * fx
    lower = tl.load(plane + c, inside, 0.0) * (1 - fx) + tl.load(plane + d, inside, 0.0) * fx
    return upper * (1 - fy) + lower * fy


@triton.jit(do_not_specialize=["high", "plane_subject", "stride"])
def enlarged_kernel(
    subject, ints, floats, below, gain, offset, bare, picture, alpha_out, high, wide,
    plane_subject, stride, GAINS: tl.constexpr, FIRST: tl.constexpr, ALPHA: tl.constexpr,
    PACKED: tl.constexpr,
):  # fmt: skip
    """A premultiplied subject of the frame's size sampled, linear between pixels, and laid."""
    across = tl.cdiv(wide, 64)
    tile = tl.program_id(0)
    top = tile // across * 16
    left = tile % across * 64
    row = top + tl.arange(0, 16)
    column = left + tl.arange(0, 64)
    have_h, have_w = tl.load(ints + 3), tl.load(ints + 4)
    got_h, got_w = tl.load(ints + 14), tl.load(ints + 15)
    i = row - tl.load(ints + 16)
    j = column - tl.load(ints + 17)
    inside = ((i >= 0) & (i < got_h))[:, None] & ((j >= 0) & (j < got_w))[None, :]
    y = tl.maximum((i + 0.5) * tl.load(floats + 18) - 0.5, 0.0)
    x = tl.maximum((j + 0.5) * tl.load(floats + 19) - 0.5, 0.0)
    y0 = tl.minimum(y.to(tl.int32), have_h - 1)
    x0 = tl.minimum(x.to(tl.int32), have_w - 1)
    fy, fx = (y - y0)[:, None], (x - x0)[None, :]
    y1, x1 = tl.minimum(y0 + 1, have_h - 1), tl.minimum(x0 + 1, have_w - 1)
    if tl.load(ints + 7) != 0:
        x0, x1 = have_w - 1 - x0, have_w - 1 - x1
    a = y0[:, None] * stride + x0[None, :]
    b = y0[:, None] * stride + x1[None, :]
    c = y1[:, None] * stride + x0[None, :]
    d = y1[:, None] * stride + x1[None, :]
    cover = subject + 3 * plane_subject
    alpha = sampled(cover, a, b, c, d, inside, fx, fy)
    alpha = tl.minimum(tl.maximum(alpha, 0.0), 1.0)
    seen = ((row >= 0) & (row < high))[:, None] & ((column >= 0) & (column < wide))[None, :]
    alpha = tl.where(seen, alpha, 0.0)
    if tl.max(tl.max(alpha, 1), 0) > 0:
        inside = inside & seen
        red = sampled(subject, a, b, c, d, inside, fx, fy)
        green = sampled(subject + plane_subject, a, b, c, d, inside, fx, fy)
        blue = sampled(subject + 2 * plane_subject, a, b, c, d, inside, fx, fy)
        code = laid(
            red, green, blue, alpha, below, gain, offset, row[:, None], column[None, :], seen,
            high * wide, wide, GAINS,
        )  # fmt: skip
        kept = seen
        if not FIRST:
            kept = inside
        stored(picture, code, kept, top, left, high, wide, 16, 64, PACKED)
        if ALPHA:
            put(alpha_out, alpha, kept, top, left, high, wide, 16, 64)
    elif FIRST:
        copied(bare, picture, top, left, high, wide, 16, 64, PACKED)
        if ALPHA:
            put(alpha_out, alpha, seen, top, left, high, wide, 16, 64)
