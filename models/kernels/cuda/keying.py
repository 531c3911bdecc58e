"""Planes to picture in four Triton kernels: the live grade of `models.keyer`, pixel by pixel.

The first makes of the fields what single pixels look up. The second, beside it, copies the bare
picture where nothing of a subject can be, and lists the other tiles. The third makes linear light
and the rough matte of those, and lays what is plainly subject; halves of quarters that hold pixels
to ask about go on another list, with what their pixels are asked for. The fourth works that off
with the network.
"""

from __future__ import annotations

# ruff: noqa: N803  constants of a kernel in capitals, as Triton writes them
# mypy: disable-error-code="no-untyped-def,no-untyped-call,untyped-decorator,misc"
import triton
import triton.language as tl
from triton.language.extra.cuda import gdc_launch_dependents, gdc_wait

from models.correction import TOWARDS_SCREEN
from models.kernels.cuda.decoding import shown
from models.kernels.cuda.finishing import despilled, finished, unmixed
from models.kernels.cuda.laying import copied, put
from models.kernels.cuda.lookup import (
    anything_near,
    corners,
    four_at_places,
    free_places,
    places,
    window,
)
from models.kernels.cuda.network import alpha_of, halves, high_half, looked_up, low_half
from models.kernels.cuda.reducing import reduced

_TOWARDS_SCREEN = tl.constexpr(TOWARDS_SCREEN)
_SIZES = [
    *("high", "plane_high", "plane_wide", "chroma_high", "chroma_wide"),
    *("field_high", "field_wide", "shapes_high", "shapes_wide", "stride_r", "chroma_r", "number"),
]
# Compiled once for all of these. A picture's width, and how far two columns of a plane are from
# each other, say whether neighbours can be read together: for them it is worth compiling anew.
_kernel = triton.jit(do_not_specialize=_SIZES)


@triton.jit
def _to_be_made(held, tile, number, FIRST: tl.constexpr, HELD: tl.constexpr):
    """Whether a tile without a subject is not there already."""
    if FIRST and HELD:
        return tl.load(held + tile) != number
    return True


@_kernel
def tables_kernel(
    fields, field_high, field_wide, shapes, shapes_high, shapes_wide, told, floats,
    weights, bias, packed, table, table_small, counters,
    BLOCK: tl.constexpr, CORRECTS: tl.constexpr, EARLY: tl.constexpr,
):  # fmt: skip
    """The fields as single pixels look them up: what the network makes of them, and four a word."""
    if EARLY:
        gdc_launch_dependents()
    if tl.program_id(0) == 0:
        tl.store(counters + 1, 0)  # of this frame nothing has been asked about yet
    looked_up(
        fields, shapes, told, weights, bias, packed, table, table_small,
        field_high * field_wide, shapes_high * shapes_wide, floats, tl.program_id(0), 19, 8, BLOCK,
        CORRECTS,
    )  # fmt: skip


@_kernel
def listed_kernel(
    fields, field_high, field_wide, told, ints, floats, counters, tiles_near, bare,
    picture, alpha_out, high, wide, held, number,
    ONLY_KEY: tl.constexpr, FIRST: tl.constexpr, ALPHA: tl.constexpr, PACKED: tl.constexpr,
    HELD: tl.constexpr, EARLY: tl.constexpr,
):  # fmt: skip
    """The bare picture where nobody is, the list of tiles where somebody may be.

    It needs nothing of what `tables_kernel` makes, so it runs beside it, and ends after it.
    ``held`` says of each tile of the picture which template's bare one stands there, 0 for none.
    """
    if EARLY:
        gdc_launch_dependents()
    tile = tl.program_id(0)
    tiles = tl.cdiv(wide + 5, 64)
    top, left = tile // tiles * 16 - 1, tile % tiles * 64 - 4
    extent_h, extent_w = tl.load(ints + 3), tl.load(ints + 4)
    origin_r, origin_c = tl.load(ints + 5), tl.load(ints + 6)
    mirrored = tl.load(ints + 2)
    row_low, row_high, column_low, column_high = window(
        told, ints, floats, extent_h, extent_w, origin_r, origin_c
    )
    # The tile with the pixels around it.
    r = top - tl.load(ints) - 1
    c = left - tl.load(ints + 1) - 1
    c = tl.where(mirrored != 0, extent_w - 1 - c - 65, c)
    some = (r <= row_high + 1) & (r + 17 >= row_low - 1)
    some = some & (c <= column_high + 1) & (c + 65 >= column_low - 1)
    here = False
    if some:
        by_y, by_x = tl.load(floats + 8), tl.load(floats + 9)
        r, c = r + origin_r, c + origin_c
        here = anything_near(
            fields,
            places(r, by_y, field_high), places(r + 17, by_y, field_high),
            places(c, by_x, field_wide), places(c + 65, by_x, field_wide),
            field_high, field_wide,
        ) | (tl.load(told + 1) == 0)  # fmt: skip
    if here:
        tl.store(tiles_near + tl.atomic_add(counters, 1), (tile // tiles << 16) | tile % tiles)
        if HELD:
            tl.store(held + tile, 0)
    elif _to_be_made(held, tile, number, FIRST, HELD):
        if ONLY_KEY or ALPHA:
            nothing = tl.zeros((16, 64), tl.float32)
            everywhere = tl.full((16, 64), 1, tl.int1)
            for k in tl.static_range(4 if ONLY_KEY else 1):
                if ONLY_KEY or FIRST:
                    out = alpha_out + k * high * wide
                    put(out, nothing, everywhere, top, left, high, wide, 16, 64)
        if FIRST:
            copied(bare, picture, top, left, high, wide, 16, 64, PACKED)
        if FIRST and HELD:
            tl.store(held + tile, number)
    if EARLY:
        gdc_wait()


@_kernel
def plain_kernel(
    first, second, third, stride_r, stride_c, chroma_r, chroma_c,
    plane_high, plane_wide, chroma_high, chroma_wide,
    y0_code, y_by, c0_code, c_by, cr_red, cb_green, cr_green, cb_blue,
    packed, field_high, field_wide, told, ints, floats, words, counters, tiles_near, tiles_asked,
    below, gain, offset, picture, alpha_out, high, wide, despill, given_back,
    TURNS: tl.constexpr, RGB: tl.constexpr, HALF_R: tl.constexpr, HALF_C: tl.constexpr,
    SITED_R: tl.constexpr, SITED_C: tl.constexpr, CURVE: tl.constexpr,
    REDUCED: tl.constexpr, FIRST: tl.constexpr, ONLY_KEY: tl.constexpr, GAINS: tl.constexpr,
    ALPHA: tl.constexpr, PACKED: tl.constexpr, EARLY: tl.constexpr,
):  # fmt: skip
    """The tiles that `listed_kernel` put on the list, by some programs for each multiprocessor.

    ``ints`` and ``floats`` are one buffer: where the frame lies, see `models.kernels.cuda.places`.
    """
    if EARLY:
        gdc_wait()
        gdc_launch_dependents()
    tiles = tl.cdiv(wide + 5, 64)
    area = tl.cdiv(high + 2, 16) * 16 * tiles * 64
    extent_h, extent_w = tl.load(ints + 3), tl.load(ints + 4)
    origin_r, origin_c = tl.load(ints + 5), tl.load(ints + 6)
    mirrored = tl.load(ints + 2)
    row_low, row_high, column_low, column_high = window(
        told, ints, floats, extent_h, extent_w, origin_r, origin_c
    )
    found = tl.load(told + 1) > 0
    is_green = tl.load(told + 2) < 1.5
    n = field_high * field_wide
    for i in range(tl.program_id(0), 4 * tl.load(counters), tl.num_programs(0)):
        # A quarter at a time: code that is longer does not stay in the instruction cache.
        number = tl.load(tiles_near + i // 4) * 2 + (i % 4 // 2 << 16) + i % 2
        top, left = (number >> 16) * 8 - 1, (number & 0xFFFF) * 32 - 4
        row, column = top + tl.arange(0, 8), left + tl.arange(0, 32)
        r = row - tl.load(ints)
        c = mirrored * (extent_w - 1) + (1 - 2 * mirrored) * (column - tl.load(ints + 1))
        inside_r = (r >= row_low) & (r <= row_high) & (row >= 0) & (row < high)
        inside_c = (c >= column_low) & (c <= column_high) & (column >= 0) & (column < wide)
        inside = inside_r[None, :] & inside_c[:, None]
        at_r = tl.minimum(tl.maximum(r, 0), extent_h - 1)
        at_c = tl.minimum(tl.maximum(c, 0), extent_w - 1)
        if REDUCED:
            red, green, blue = reduced(
                first, second, third, at_r, at_c, ints, floats,
                stride_r, stride_c, chroma_r, chroma_c,
                plane_high, plane_wide, chroma_high, chroma_wide,
                y0_code, y_by, c0_code, c_by, cr_red, cb_green, cr_green, cb_blue,
                TURNS, RGB, HALF_R, HALF_C, SITED_R, SITED_C, CURVE, 8, 32,
            )  # fmt: skip
            red, green, blue = tl.trans(red), tl.trans(green), tl.trans(blue)
        else:
            red, green, blue = shown(
                first, second, third, (at_r + origin_r)[None, :], (at_c + origin_c)[:, None],
                stride_r, stride_c, chroma_r, chroma_c,
                plane_high, plane_wide, chroma_high, chroma_wide,
                y0_code, y_by, c0_code, c_by, cr_red, cb_green, cr_green, cb_blue,
                TURNS, RGB, HALF_R, HALF_C, SITED_R, SITED_C, CURVE,
            )  # fmt: skip
        alpha = inside.to(tl.float32)
        asking = 0
        if found:
            y = places(r + origin_r, tl.load(floats + 8), field_high)
            x = places(c + origin_c, tl.load(floats + 9), field_wide)
            a, b, c0, d, fy, fx = corners(y, x, field_high, field_wide)
            back_r, back_g, back_b, own_key = four_at_places(packed, a, b, c0, d, fy, fx, 8, 32)
            near, solid, hold_out, _ = four_at_places(packed + 4 * n, a, b, c0, d, fy, fx, 8, 32)
            key, other = tl.where(is_green, green, blue), tl.where(is_green, blue, green)
            back_key = tl.where(is_green, back_g, back_b)
            back_other = tl.where(is_green, back_b, back_g)
            full = tl.maximum(back_key - tl.maximum(back_r, back_other), 1e-3)
            rough = (1 - (key - tl.maximum(red, other)) / full) * (1 - hold_out)
            luma = 0.2126 * red + 0.7152 * green + 0.0722 * blue
            place = words + (row + 1)[None, :] * (tiles * 64) + (column + 4)[:, None]
            clamped = tl.minimum(tl.maximum(rough, -0.3), 1.3)
            tl.store(place, halves(clamped, tl.sqrt(luma)))
            whole = (solid > 0.99) & (rough > 0.5) & inside
            asked = (near > 0) & (whole == 0) & inside
            alpha = whole.to(tl.float32)
            # Each half goes on the list for itself.
            weight = tl.where(column < left + 16, 1, 65536)[:, None]
            asking = tl.sum(tl.sum(tl.where(asked, weight, 0), 1), 0)
            one = ((asking & 0xFFFF) > 0).to(tl.int32)
            asking = one + (asking > 0xFFFF).to(tl.int32)
            if asking > 0:
                tl.store(place + area, halves(tl.sqrt(red), tl.sqrt(green)))
                said = alpha + 2 * asked.to(tl.float32)
                tl.store(place + 2 * area, halves(tl.sqrt(blue), said))
                at = tiles_asked + tl.atomic_add(counters + 1, asking)
                tl.store(at, number + (number & 0xFFFF) + 1 - one)
                if asking > 1:
                    tl.store(at + 1, number + (number & 0xFFFF) + 1)
            if asking < 2:
                red, green, blue = despilled(
                    red, green, blue, back_r, back_g, back_b, own_key, is_green, despill,
                    given_back,
                )  # fmt: skip
        if asking < 2:
            finished(
                red, green, blue, alpha, inside, below, gain, offset, picture, alpha_out,
                top, left, high, wide, FIRST, ONLY_KEY, GAINS, ALPHA, PACKED, 8, 32,
            )  # fmt: skip


@triton.jit
def _row_at(r, low, high_row, down, high, across):
    """Where words of rows lie, at most at the window's edge, and at the picture's.

    Pixels outside of either are nobody's to ask about.
    """
    r = tl.minimum(tl.maximum(r, low), high_row) + down
    return (tl.minimum(tl.maximum(r, -1), high) + 1) * across


@triton.jit
def _column_at(c, low, high_column, right, step, extent_w, wide):
    """Likewise of columns."""
    c = tl.minimum(tl.maximum(c, low), high_column)
    c = right + tl.where(step < 0, extent_w - 1 - c, c)
    return tl.minimum(tl.maximum(c, -1), wide) + 4


@_kernel
def asked_kernel(
    packed, field_high, field_wide, told, ints, floats, words, counters, tiles_asked,
    below, gain, offset, picture, alpha_out, high, wide, despill, given_back,
    shapes_high, shapes_wide, table, table_small, pixel, second_layer, rest, black, by_span,
    FIRST: tl.constexpr, ONLY_KEY: tl.constexpr, GAINS: tl.constexpr, ALPHA: tl.constexpr,
    PACKED: tl.constexpr, DOWN: tl.constexpr, ACROSS: tl.constexpr,
    DOWN_SMALL: tl.constexpr, ACROSS_SMALL: tl.constexpr, CORRECTS: tl.constexpr,
    EARLY: tl.constexpr,
):  # fmt: skip
    """The halves of quarters that `plain_kernel` listed, by some programs a multiprocessor."""
    if EARLY:
        gdc_wait()
    tiles = tl.cdiv(wide + 5, 64)
    across = tiles * 64
    area = tl.cdiv(high + 2, 16) * 16 * across
    extent_h, extent_w = tl.load(ints + 3), tl.load(ints + 4)
    origin_r, origin_c = tl.load(ints + 5), tl.load(ints + 6)
    down, right = tl.load(ints), tl.load(ints + 1)
    mirrored = tl.load(ints + 2)
    step = 1 - 2 * mirrored
    row_low, row_high, column_low, column_high = window(
        told, ints, floats, extent_h, extent_w, origin_r, origin_c
    )
    is_green = tl.load(told + 2) < 1.5
    pixel += (tl.load(told + 2).to(tl.int32) - 1) * 1024
    n = field_high * field_wide
    if tl.program_id(0) == 0:
        tl.store(counters, 0)  # nothing of the next frame has been listed yet
    by_y, by_x = tl.load(floats + 8), tl.load(floats + 9)
    by_y_small, by_x_small = tl.load(floats + 10), tl.load(floats + 11)
    for i in range(tl.program_id(0), tl.load(counters + 1), tl.num_programs(0)):
        number = tl.load(tiles_asked + i)
        top, left = (number >> 16) * 8 - 1, (number & 0xFFFF) * 16 - 4
        row, column = top + tl.arange(0, 8), left + tl.arange(0, 16)
        r = row - down
        c = mirrored * (extent_w - 1) + step * (column - right)
        inside = ((r >= row_low) & (r <= row_high))[None, :]
        inside = inside & ((c >= column_low) & (c <= column_high))[:, None]
        place = words + area + (row + 1)[None, :] * across + (column + 4)[:, None]
        word = tl.load(place)
        root_r, root_g = low_half(word), high_half(word)
        word = tl.load(place + area)
        root_b, said = low_half(word), high_half(word)
        asked = said > 1.5
        y = places(r + origin_r, by_y, field_high)
        x = places(c + origin_c, by_x, field_wide)
        first_r = top - down + origin_r
        first_c = mirrored * (extent_w - 16) + step * (left - right) + origin_c
        a, b, c0, d, fy, fx = corners(y, x, field_high, field_wide)
        back_r, back_g, back_b, own_key = four_at_places(packed, a, b, c0, d, fy, fx, 8, 16)
        guess = alpha_of(
            words,
            _row_at(r - 1, row_low, row_high, down, high, across),
            _row_at(r, row_low, row_high, down, high, across),
            _row_at(r + 1, row_low, row_high, down, high, across),
            _column_at(c - 1, column_low, column_high, right, step, extent_w, wide),
            _column_at(c, column_low, column_high, right, step, extent_w, wide),
            _column_at(c + 1, column_low, column_high, right, step, extent_w, wide),
            root_r, root_g, root_b, tl.maximum(tl.where(is_green, back_g, back_b), 0.005),
            table, free_places(r + origin_r, by_y), free_places(c + origin_c, by_x),
            tl.floor(free_places(first_r, by_y)).to(tl.int32),
            tl.floor(free_places(first_c, by_x)).to(tl.int32), field_high, field_wide,
            table_small,
            free_places(r + origin_r, by_y_small), free_places(c + origin_c, by_x_small),
            tl.floor(free_places(first_r, by_y_small)).to(tl.int32),
            tl.floor(free_places(first_c, by_x_small)).to(tl.int32), shapes_high, shapes_wide,
            pixel, second_layer, rest, 8, 16, DOWN, ACROSS, DOWN_SMALL, ACROSS_SMALL,
        )  # fmt: skip
        front_r, front_g, front_b, more = four_at_places(packed + 8 * n, a, b, c0, d, fy, fx, 8, 16)
        if CORRECTS:
            more = tl.where(more < 0, _TOWARDS_SCREEN * more, more)
            guess = tl.minimum(tl.maximum(guess + more, 0.0), 1.0)
        guess = tl.minimum(tl.maximum((guess - black) * by_span, 0.0), 1.0)
        alpha = tl.where(asked, guess, said)
        red, green, blue = root_r * root_r, root_g * root_g, root_b * root_b
        red = tl.where(asked, unmixed(red, alpha, back_r, front_r), red)
        green = tl.where(asked, unmixed(green, alpha, back_g, front_g), green)
        blue = tl.where(asked, unmixed(blue, alpha, back_b, front_b), blue)
        red, green, blue = despilled(
            red, green, blue, back_r, back_g, back_b, own_key, is_green, despill, given_back
        )
        finished(
            red, green, blue, alpha, inside, below, gain, offset, picture, alpha_out,
            top, left, high, wide, FIRST, ONLY_KEY, GAINS, ALPHA, PACKED, 8, 16,
        )  # fmt: skip
