# mypy: disable-error-code="no-untyped-def,no-untyped-call,untyped-decorator,misc"
"""The screen's hue and middle colour, and whether a guess of it fits the frame.

As `models.screen.find` and `models.plate.plate_misfit`, on the frame's means over eight by eight.
Medians and the quantile are exact: each value counts how many come before it, all at once.
"""

from __future__ import annotations

import triton
import triton.language as tl

from models.kernels.cuda.neighbourhood import (
    flat_places,
    kernel,
    ranks,
    softened_twice,
)
from models.plate import MISFIT_STOPS

# What is kept in ``state``: what the kernels of a frame tell each other.
LOW, HIGH = tl.constexpr(0), tl.constexpr(2)
"""Values around the quantile, of green and of blue."""
FOUND, HUE, COLOR = tl.constexpr(4), tl.constexpr(5), tl.constexpr(6)
# Right after the colour, as `rank_colours` counts on.
STOPS, HUES, DEVIATION = tl.constexpr(9), tl.constexpr(10), tl.constexpr(11)
LEVEL, FOLLOWS = tl.constexpr(12), tl.constexpr(13)
BOUND, DEAD = tl.constexpr(14), tl.constexpr(16)
"""Two each, one a round."""
KNOWN, KNOWN_HUE = tl.constexpr(24), tl.constexpr(25)
"""What stays from frame to frame: whether the screen is remembered, and of which hue."""
MISFIT = tl.constexpr(MISFIT_STOPS)


@triton.jit
def split(red, green, blue, hue):
    """The screen's channel and the one that is neither it nor red."""
    return tl.where(hue == 1, green, blue), tl.where(hue == 1, blue, green)


@triton.jit
def difference(red, green, blue, hue):
    """`screen.color_difference`."""
    key, other = split(red, green, blue, hue)
    return key - tl.maximum(red, other)


@triton.jit
def saturation(red, green, blue, hue):
    """`screen.saturation`."""
    key, _ = split(red, green, blue, hue)
    return difference(red, green, blue, hue) / (key + 0.004)


@triton.jit
def strength(red, green, blue, hue):
    """`screen.strength`."""
    above = tl.maximum(difference(red, green, blue, hue), 0.0)
    return above * tl.maximum(saturation(red, green, blue, hue), 0.0)


@triton.jit
def colours(field, n, e):
    """The three channels at flat places; 0 beyond."""
    inside = e < n
    red = tl.load(field + e, mask=inside, other=0.0)
    green = tl.load(field + n + e, mask=inside, other=0.0)
    blue = tl.load(field + 2 * n + e, mask=inside, other=0.0)
    return red, green, blue


@triton.jit
def picked(place, value, rank, wanted, counted):
    """Store the one value that has the wanted rank among those counted."""
    tl.store(place + tl.zeros_like(rank), value, mask=counted & (rank == wanted))


@triton.jit
def find_strength(small8, state, n, low, high, pid, block: tl.constexpr, rows: tl.constexpr):
    """The two values around the quantile of the strength, in green or in blue."""
    hue = 1 + pid % 2
    e, mine = tl.arange(0, block), pid // 2 * rows + tl.arange(0, rows)
    red, green, blue = colours(small8, n, e)
    my_red, my_green, my_blue = colours(small8, n, mine)
    value = strength(my_red, my_green, my_blue, hue)
    rank = ranks(value, mine, strength(red, green, blue, hue), e, e < n)
    picked(state + LOW + hue - 1, value, rank, low, mine < n)
    picked(state + HIGH + hue - 1, value, rank, high, mine < n)


@triton.jit
def soften_frame(small, seen, pid, h, w, block: tl.constexpr):
    """The frame softened twice."""
    e, y, x, inside = flat_places(pid, h, w, block)
    for c in range(3):
        soft = softened_twice(small + c * h * w, y, x, h, w, inside)
        tl.store(seen + c * h * w + e, soft, mask=inside)


@kernel
def rank_strength(small8, small, seen, state, n, low, high, h, w, programs: tl.constexpr,
                  block: tl.constexpr, rows: tl.constexpr, flat: tl.constexpr):  # fmt: skip
    """The strength's quantile; meanwhile, the frame softened."""
    pid = tl.program_id(0)
    if pid < programs:
        find_strength(small8, state, n, low, high, pid, block, rows)
    else:
        soften_frame(small, seen, pid - programs, h, w, flat)


@triton.jit
def quantile(state, hue, weight):
    low, high = tl.load(state + LOW + hue - 1), tl.load(state + HIGH + hue - 1)
    return low + (high - low) * weight


@triton.jit
def share_of(strong, top, e, n, across, hue):
    """How much of the frame is of a hue, and how it lies around it; -1 for none."""
    like = ((strong > 0.5 * top) & (e < n)).to(tl.float32)
    rim = ((strong > 0.15 * top) & (e < n)).to(tl.float32)
    row, column = e // across, e % across
    times = (row == 0).to(tl.float32)
    below = (row > 0).to(tl.float32)
    times += below * ((column == 0).to(tl.float32) + (column == across - 1).to(tl.float32))
    count = (across + 2 * (n // across - 1)) * 1.0
    share = tl.sum(like, 0) / n * top * (0.1 + tl.sum(rim * times, 0) / count)
    return tl.where(top < 0.004, -1.0, share)


@kernel
def rank_colours(small8, bare8, state, n, across, weight, wanted: tl.constexpr,
                 block: tl.constexpr, rows: tl.constexpr):  # fmt: skip
    """The hue and middle colour of the screen; middle differences from the guess."""
    pid = tl.program_id(0)
    # A program ranks one of five quantities, in the order in which their middles are kept.
    which = pid % 5
    e, mine = tl.arange(0, block), pid // 5 * rows + tl.arange(0, rows)
    red, green, blue = colours(small8, n, e)
    top_green, top_blue = quantile(state, 1, weight), quantile(state, 2, weight)
    greens, blues = strength(red, green, blue, 1), strength(red, green, blue, 2)
    green_share = share_of(greens, top_green, e, n, across, 1)
    blue_share = share_of(blues, top_blue, e, n, across, 2)
    if wanted == 1:
        blue_share = blue_share * 0.0 - 1.0
    if wanted == 2:
        green_share = green_share * 0.0 - 1.0
    hue = tl.where(blue_share > green_share, 2, 1)
    found = tl.maximum(green_share, blue_share) >= 0
    top = tl.where(hue == 1, top_green, top_blue)
    if pid == 0:
        tl.store(state + FOUND, found.to(tl.float32))
        tl.store(state + HUE, hue.to(tl.float32))
    inside = e < n
    strong = tl.where(hue == 1, greens, blues)
    my_red, my_green, my_blue = colours(small8, n, mine)
    my_strong = strength(my_red, my_green, my_blue, hue)
    # Where there is no screen, any colour will do that is finite.
    bound = tl.where(found, 0.5 * top, -1.0)
    value = tl.where(which == 0, red, tl.where(which == 1, green, blue))
    my_value = tl.where(which == 0, my_red, tl.where(which == 1, my_green, my_blue))
    if which > 2:
        bound = 0.4 * top
        stops, hues = offsets(red, green, blue, bare8, n, e, hue)
        my_stops, my_hues = offsets(my_red, my_green, my_blue, bare8, n, mine, hue)
        value, my_value = tl.where(which == 3, stops, hues), tl.where(which == 3, my_stops, my_hues)
    like = inside & (strong > bound)
    middle = (tl.sum(like.to(tl.int32), 0) - 1) // 2
    my_like = (mine < n) & (my_strong > bound)
    picked(state + COLOR + which, my_value, ranks(my_value, mine, value, e, like), middle, my_like)


@triton.jit
def offsets(red, green, blue, bare8, n, e, hue):
    """How far a frame is from a bare screen: in stops, and in saturation."""
    bare_red, bare_green, bare_blue = colours(bare8, n, e)
    key, _ = split(red, green, blue, hue)
    bare_key, _ = split(bare_red, bare_green, bare_blue, hue)
    stops = tl.log2(tl.maximum(key, 1e-4) / tl.maximum(bare_key, 1e-4))
    off = saturation(red, green, blue, hue) - saturation(bare_red, bare_green, bare_blue, hue)
    return stops, tl.abs(off)


@triton.jit
def find_deviation(small8, bare8, state, n, weight, pid, block: tl.constexpr, rows: tl.constexpr):
    """The middle deviation of the guess's level."""
    e, mine = tl.arange(0, block), pid * rows + tl.arange(0, rows)
    hue = tl.load(state + HUE).to(tl.int32)
    top = quantile(state, hue, weight)
    red, green, blue = colours(small8, n, e)
    my_red, my_green, my_blue = colours(small8, n, mine)
    like = (e < n) & (strength(red, green, blue, hue) > 0.4 * top)
    my_like = (mine < n) & (strength(my_red, my_green, my_blue, hue) > 0.4 * top)
    stops, _ = offsets(red, green, blue, bare8, n, e, hue)
    my_stops, _ = offsets(my_red, my_green, my_blue, bare8, n, mine, hue)
    middle = tl.load(state + STOPS)
    away, my_away = tl.abs(stops - middle), tl.abs(my_stops - middle)
    rank = ranks(my_away, mine, away, e, like)
    wanted = (tl.sum(like.to(tl.int32), 0) - 1) // 2
    picked(state + DEVIATION, my_away, rank, wanted, my_like)


@kernel
def rank_deviation(small8, bare8, state, n, weight, block: tl.constexpr,
                   rows: tl.constexpr):  # fmt: skip
    """The middle deviation of what is remembered."""
    find_deviation(small8, bare8, state, n, weight, tl.program_id(0), block, rows)


@triton.jit
def misfit(state):
    """`plate.plate_misfit`."""
    return tl.load(state + DEVIATION) + 2 * tl.load(state + HUES)
