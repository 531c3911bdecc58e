# mypy: disable-error-code="no-untyped-def,no-untyped-call,untyped-decorator,misc,attr-defined"
"""The screen's colour field, fitted to the frame in two rounds.

As `models.field.fit` for fields of up to 480 pixels, with `models.running`. Two medians run over
all pixels: their values are counted in bins while they are made, so that one program reads them
off: bins narrower than 1/2048 of a value for the bound, 1/512 for the level, which is compared
only.
"""

from __future__ import annotations

import triton
import triton.language as tl

from models.field import SHADES
from models.kernels.cuda.analysis_screen import (
    BOUND,
    COLOR,
    DEAD,
    FOLLOWS,
    FOUND,
    HUE,
    KNOWN,
    KNOWN_HUE,
    LEVEL,
    MISFIT,
    colours,
    difference,
    find_deviation,
    misfit,
    saturation,
    split,
)
from models.kernels.cuda.neighbourhood import (
    enlarged,
    fill,
    flat_places,
    kernel,
    least,
    mirrored,
    softened,
    tile_places,
    whole_means,
)

LEVEL_ROWS, BOUND_ROWS, BINS = tl.constexpr(64), tl.constexpr(64), tl.constexpr(128)
"""Counters of the middle level and of the bound: rows of so many bins."""
FIRST_LEVEL = tl.constexpr((127 - 8) << 9)
"""The bin of 1/256: bits of a float32 but its last 14."""
LEAST_OFF, LEAST_BITS = tl.constexpr(0.02 * 1.18 / 4), tl.constexpr(0x3BC154CA)
"""The median of the remainder below which the bound no longer falls, and its bits."""
LEAST_SHADE, MOST_SHADE = tl.constexpr(SHADES[0]), tl.constexpr(SHADES[1])


@triton.jit
def emptied(counters, size: tl.constexpr, pid, programs, block: tl.constexpr):
    """Counters set to 0 by all programs together."""
    for start in range(pid * block, size, programs * block):
        e = start + tl.arange(0, block)
        tl.store(counters + e, tl.zeros((block,), tl.int32), mask=e < size)


@triton.jit
def count_near(counters, place, counted):
    """Count values in their bins; most of a neighbourhood's lie in a few, which are joined first.

    Thousands of additions to one address would wait for each other.
    """
    many = tl.maximum(tl.sum(counted.to(tl.int32), 0), 1)
    first = tl.sum(tl.where(counted, place, 0), 0) // many - 8
    near = first + tl.arange(0, 16)
    hits = tl.sum(((place[:, None] == near[None, :]) & counted[:, None]).to(tl.int32), 0)
    tl.atomic_add(counters + tl.maximum(near, 0), hits, mask=hits > 0, sem="relaxed")
    far = counted & ((place < first) | (place >= first + 16))
    tl.atomic_add(counters + place, 1, mask=far, sem="relaxed")


@triton.jit
def bin_of_rank(counters, rank, rows: tl.constexpr):
    """The bin that holds the value of a rank; as many bins as there are where none does."""
    row, column = tl.arange(0, rows), tl.arange(0, BINS)
    counts = tl.load(counters + row[:, None] * BINS + column[None, :])
    totals = tl.sum(counts, 1)
    wanted = tl.sum((tl.cumsum(totals, 0) <= rank).to(tl.int32), 0)
    before = tl.sum(tl.where(row < wanted, totals, 0), 0)
    line = tl.load(counters + tl.minimum(wanted, rows - 1) * BINS + column)
    within = tl.sum((tl.cumsum(line, 0) + before <= rank).to(tl.int32), 0)
    return tl.where(wanted < rows, wanted * BINS + within, rows * BINS)


@kernel
def start_fit(guess, seen, color, level, counters, state, h, w, plate: tl.constexpr,
              block: tl.constexpr):  # fmt: skip
    """The first guess, and where the softened frame is like it at any level."""
    e, _, x, inside = flat_places(tl.program_id(0), h, w, block)
    n = h * w
    hue = tl.load(state + HUE).to(tl.int32)
    red, green, blue = colours(seen, n, e)
    bare_red, bare_green, bare_blue = colours(guess, n, e)
    follows = hue > 0
    if not plate:
        follows = (tl.load(state + KNOWN) > 0) & (tl.load(state + KNOWN_HUE) == hue)
        follows = follows & ((misfit(state) > MISFIT) == 0)
        bare_red = tl.where(follows, bare_red, tl.load(state + COLOR))
        bare_green = tl.where(follows, bare_green, tl.load(state + COLOR + 1))
        bare_blue = tl.where(follows, bare_blue, tl.load(state + COLOR + 2))
    if tl.program_id(0) == 0:
        tl.store(state + FOLLOWS, follows.to(tl.float32))
    tl.store(color + e, bare_red, mask=inside)
    tl.store(color + n + e, bare_green, mask=inside)
    tl.store(color + 2 * n + e, bare_blue, mask=inside)
    own = tl.maximum(saturation(bare_red, bare_green, bare_blue, hue), 0.05)
    tolerance = tl.where(follows, 0.12, 0.11)
    alike = tl.abs(saturation(red, green, blue, hue) / own - 1) < tolerance
    key, _ = split(red, green, blue, hue)
    bare_key, _ = split(bare_red, bare_green, bare_blue, hue)
    value = key / tl.maximum(bare_key, 1e-3)
    tl.store(level + e, tl.where(alike, value, -1.0), mask=inside)
    place = (tl.maximum(value, 0.0).to(tl.int32, bitcast=True) >> 14) - FIRST_LEVEL
    place = tl.minimum(tl.maximum(place, 0), LEVEL_ROWS * BINS - 1)
    count_near(counters, place, inside & alike & (x * 0 + follows.to(tl.int32) > 0))


@kernel
def middle_level(counters, state, small8, bare8, n, weight, ranked: tl.constexpr,
                 block: tl.constexpr, rows: tl.constexpr):  # fmt: skip
    """The middle level of a plate or of what is remembered; another exposure is no shadow.

    Meanwhile, the middle deviation of a plate.
    """
    pid = tl.program_id(0)
    if pid == 0:
        row, column = tl.arange(0, LEVEL_ROWS), tl.arange(0, BINS)
        total = tl.sum(tl.sum(tl.load(counters + row[:, None] * BINS + column[None, :]), 1), 0)
        place = bin_of_rank(counters, (total - 1) // 2, LEVEL_ROWS)
        value = (((place + FIRST_LEVEL) << 14) + (1 << 13)).to(tl.float32, bitcast=True)
        tl.store(state + LEVEL, tl.where(total > 0, tl.maximum(value, 1e-3), 1.0))
    else:
        if ranked:
            find_deviation(small8, bare8, state, n, weight, pid - 1, block, rows)


@triton.jit
def alike_at_first(level, state, place, inside):
    middle, follows = tl.load(state + LEVEL), tl.load(state + FOLLOWS) > 0
    value = tl.load(level + place, mask=inside, other=-1.0)
    low, high = tl.where(follows, 0.25, 0.15), tl.where(follows, 1.8, 4.0)
    return (value >= 0) & (value / middle > low) & (value / middle < high)


@kernel
def find_inner(level, off, shade, inner, counters, state, h, w, turn: tl.constexpr,
               size: tl.constexpr, block: tl.constexpr):  # fmt: skip
    """Where neighbourhoods are like the screen."""
    pid = tl.program_id(0)
    emptied(counters, size, pid, tl.num_programs(0), block)
    e, y, x, inside = flat_places(pid, h, w, block)
    total = tl.zeros_like(y).to(tl.float32)
    bound = tl.load(state + BOUND)
    for dy in range(-2, 3):
        row = mirrored(y + dy, h) * w
        down = 6 - 2.25 * dy * dy + 0.25 * dy * dy * dy * dy
        for dx in tl.static_range(-2, 3):
            across = 6 - 2.25 * dx * dx + 0.25 * dx * dx * dx * dx
            place = row + mirrored(x + dx, w)
            if turn == 0:
                alike = alike_at_first(level, state, place, inside)
            else:
                dark = tl.load(shade + place, mask=inside, other=0.0)
                alike = tl.load(off + place, mask=inside, other=0.0) < bound
                alike = alike & (dark > 0.4) & (dark < 2.2)
            total += (down * across / 256.0) * alike.to(tl.float32)
    tl.store(inner + e, (total > 0.97).to(tl.float32), mask=inside)


@kernel
def weigh(small, seen, then, color, inner, weight, squares8, partial, state, h, w,
          turn: tl.constexpr, plate: tl.constexpr, tiles: tl.constexpr):  # fmt: skip
    """Where whole neighbourhoods are screen; frame and guess there, over eight by eight."""
    pid = tl.program_id(0)
    y, x, inside = tile_places(pid, h, w, tiles)
    n, e = h * w, y * w + x
    sure = least(inner, y, x, h, w, 3, inside)
    kept = inside
    if turn == 1:
        # Nothing was screen in the first round: that stands.
        dead = tl.load(state + DEAD + x * 0) > 0
        kept = inside & (dead == 0)
        sure = tl.where(dead, tl.load(weight + e, mask=inside, other=0.0), sure)
    tl.store(weight + e, sure, mask=kept)
    t = pid * tiles + tl.arange(0, tiles)
    n8 = ((h + 7) // 8) * ((w + 7) // 8)
    tl.store(squares8 + t, whole_means(sure, inside, tiles), mask=t < n8)
    for c in tl.static_range(3):
        shown = tl.load(small + c * n + e, mask=inside, other=0.0)
        bare = tl.load(color + c * n + e, mask=inside, other=0.0)
        level = whole_means(shown * sure, inside, tiles)
        tl.store(squares8 + (1 + c) * n8 + t, level, mask=t < n8)
        level = whole_means(bare * sure, inside, tiles)
        tl.store(squares8 + (4 + c) * n8 + t, level, mask=t < n8)
        if plate and turn == 1:
            now = tl.log2(tl.load(seen + c * n + e, mask=inside, other=1.0) + 0.01)
            was = tl.load(then + c * n + e, mask=inside, other=0.0)
            change = tl.where(inside, (now - was) * sure, 0.0)
            total = tl.sum(tl.reshape(change, (tiles, 64)), 1)
            tl.store(partial + (1 + c) * n8 + t, total, mask=t < n8)
    total = tl.sum(tl.reshape(tl.where(inside, sure, 0.0), (tiles, 64)), 1)
    tl.store(partial + t, total, mask=t < n8)


@triton.jit
def spread_scale(squares8, sums, filled, wide, state, c, h8, w8, cells, turn: tl.constexpr,
                 last: tl.constexpr, block: tl.constexpr):  # fmt: skip
    """How a channel of the guess is scaled to the frame, spread everywhere; by one program."""
    n8 = h8 * w8
    values, weights = sums + c * cells, sums + 3 * cells
    filled += c * cells
    total = 0.0
    for start in range(0, n8, block):
        e = start + tl.arange(0, block)
        inside = e < n8
        known = tl.load(squares8 + e, mask=inside, other=0.0)
        known = tl.where(known > 0.05, known, 0.0)
        total += tl.sum(known, 0)
        shown = tl.load(squares8 + (1 + c) * n8 + e, mask=inside, other=0.0)
        bare = tl.load(squares8 + (4 + c) * n8 + e, mask=inside, other=1.0)
        tl.store(weights + e, known, mask=inside)
        tl.store(values + e, shown / tl.maximum(bare, 1e-6) * known, mask=inside)
    tl.debug_barrier()
    fill(values, weights, filled, h8, w8, last, block)
    dead = total == 0
    if c == 0:
        tl.store(state + DEAD + turn, dead.to(tl.float32))
    for start in range(0, n8, block):
        e = start + tl.arange(0, block)
        inside = e < n8
        scale = softened(filled, e // w8, e % w8, h8, w8, inside)
        tl.store(wide + c * n8 + e, tl.where(dead, 1.0, scale), mask=inside)


@triton.jit
def scale_guess(seen, wide, color, weight, off, shade, counters, kept, kept8, state, pid, h, w,
                turn: tl.constexpr, plate: tl.constexpr, tiles: tl.constexpr):  # fmt: skip
    """The guess scaled, and what the frame is off from it; counted where it is screen."""
    y, x, inside = tile_places(pid, h, w, tiles)
    n, e = h * w, y * w + x
    h8, w8 = (h + 7) // 8, (w + 7) // 8
    hue = tl.load(state + HUE).to(tl.int32)
    bare_red, bare_green, bare_blue = colours(color, n, tl.where(inside, e, n))
    n8 = h8 * w8
    bare_red *= enlarged(wide, y, x, h8, w8, h, w, inside)
    bare_green *= enlarged(wide + n8, y, x, h8, w8, h, w, inside)
    bare_blue *= enlarged(wide + 2 * n8, y, x, h8, w8, h, w, inside)
    tl.store(color + e, bare_red, mask=inside)
    tl.store(color + n + e, bare_green, mask=inside)
    tl.store(color + 2 * n + e, bare_blue, mask=inside)
    red, green, blue = colours(seen, n, tl.where(inside, e, n))
    key, other = split(red, green, blue, hue)
    bare_key, bare_other = split(bare_red, bare_green, bare_blue, hue)
    dark = key / tl.maximum(bare_key, 1e-3)
    own = tl.maximum(difference(bare_red, bare_green, bare_blue, hue), 1e-3)
    first, second = (red - dark * bare_red) / own, (other - dark * bare_other) / own
    away = tl.sqrt(first * first + second * second)
    tl.store(off + e, away, mask=inside)
    tl.store(shade + e, dark, mask=inside)
    sure = inside & (y % 2 == 0) & (x % 2 == 0)
    sure = sure & (tl.load(weight + e, mask=inside, other=0.0) > 0)
    low = sure & (away < LEAST_OFF)
    place = (away.to(tl.int32, bitcast=True) - LEAST_BITS) >> 11
    counted = sure & (low == 0) & (place < BOUND_ROWS * BINS)
    tl.atomic_add(counters + tl.where(counted, place, 0), 1, mask=counted, sem="relaxed")
    tl.atomic_add(counters + BOUND_ROWS * BINS, tl.sum(low.to(tl.int32), 0), sem="relaxed")
    tl.atomic_add(counters + BOUND_ROWS * BINS + 1, tl.sum(sure.to(tl.int32), 0), sem="relaxed")
    if turn == 1:  # noqa: SIM102  constants, that are asked one by one
        if not plate:
            # What a frame shows of its screen is remembered, as in `models.running`.
            there = inside & (tl.load(state + FOUND + x * 0) > 0)
            tl.store(kept + e, bare_red, mask=there)
            tl.store(kept + n + e, bare_green, mask=there)
            tl.store(kept + 2 * n + e, bare_blue, mask=there)
            t = pid * tiles + tl.arange(0, tiles)
            there = (t < n8) & (tl.load(state + FOUND + t * 0) > 0)
            tl.store(kept8 + t, whole_means(bare_red, inside, tiles), mask=there)
            tl.store(kept8 + n8 + t, whole_means(bare_green, inside, tiles), mask=there)
            tl.store(kept8 + 2 * n8 + t, whole_means(bare_blue, inside, tiles), mask=there)
            if pid == 0:
                found = tl.load(state + FOUND)
                known = tl.maximum(tl.load(state + KNOWN), found)
                was = tl.load(state + KNOWN_HUE)
                tl.store(state + KNOWN, known)
                tl.store(state + KNOWN_HUE, tl.where(found > 0, hue.to(tl.float32), was))


@triton.jit
def find_bound(counters, state, turn: tl.constexpr):
    """How far bare screen may be off, from how far it mostly is; by one program."""
    low = tl.load(counters + BOUND_ROWS * BINS)
    total = tl.load(counters + BOUND_ROWS * BINS + 1)
    rank = (total - 1) // 2
    place = bin_of_rank(counters, rank - low, BOUND_ROWS)
    value = ((place << 11) + (LEAST_BITS + (1 << 10))).to(tl.float32, bitcast=True)
    bound = tl.minimum(tl.maximum(4 * value / 1.18, 0.02), 0.06)
    bound = tl.where((total == 0) | (place >= BOUND_ROWS * BINS), 0.06, bound)
    bound = tl.where((total > 0) & (rank < low), 0.02, bound)
    if turn == 1:
        # A second round without any screen leaves the first as it was.
        bound = tl.where(tl.load(state + DEAD + 1) > 0, tl.load(state + BOUND), bound)
    tl.store(state + BOUND + turn, bound)
