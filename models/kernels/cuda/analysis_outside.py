# mypy: disable-error-code="no-untyped-def,no-untyped-call,untyped-decorator,misc"
"""What is cut as outside the screen, and where folds are far from all else.

As `models.outside` (a plate's own share of it is handed in) and the second half of
`models.field.fit`. Steps that do not wait for each other share a launch.
"""

from __future__ import annotations

import triton
import triton.language as tl

from models.kernels.cuda.analysis_fit import (
    BINS,
    BOUND_ROWS,
    LEAST_SHADE,
    emptied,
    find_bound,
    scale_guess,
    spread_scale,
)
from models.kernels.cuda.analysis_screen import BOUND
from models.kernels.cuda.analysis_strips import begin_strip, end_strip, find_ends
from models.kernels.cuda.neighbourhood import (
    clamped,
    flat_places,
    kernel,
    most,
    softened,
    square_places,
    squares,
    tile_places,
)
from models.outside import CHANGED

CHANGED = tl.constexpr(CHANGED)
COUNTERS = tl.constexpr(BOUND_ROWS.value * BINS.value + 128)


@triton.jit
def mark_changed(seen, weight, partial, low, high, changed, pid, h, w, n8_block: tl.constexpr,
                 block: tl.constexpr):  # fmt: skip
    """Where the frame is not as the plate shows it, apart from the exposure's change."""
    e, y, x, inside = flat_places(pid, h, w, block)
    n, n8 = h * w, ((h + 7) // 8) * ((w + 7) // 8)
    t = tl.arange(0, n8_block)
    known = tl.sum(tl.load(partial + t, mask=t < n8, other=0.0), 0)
    most_off = tl.zeros((block,), tl.float32) - float("inf")
    for c in tl.static_range(3):
        change = tl.sum(tl.load(partial + (1 + c) * n8 + t, mask=t < n8, other=0.0), 0)
        change = tl.where(known > 0, change / tl.maximum(known, 1e-6), 0.0)
        now = tl.log2(tl.load(seen + c * n + e, mask=inside, other=1.0) + 0.01) - change
        above = now - tl.load(high + c * n + e, mask=inside, other=0.0)
        below = tl.load(low + c * n + e, mask=inside, other=0.0) - now
        most_off = tl.maximum(most_off, tl.maximum(above, below))
    off = (most_off > CHANGED).to(tl.float32) * (1 - softened(weight, y, x, h, w, inside))
    tl.store(changed + e, off, mask=inside)


@triton.jit
def grow_across(changed, grown, pid, h, w, radius: tl.constexpr, block: tl.constexpr):
    """Shrunk by one pixel, then grown along the rows."""
    e, y, x, inside = flat_places(pid, h, w, block)
    found = tl.zeros((block,), tl.float32)
    here = least_down(changed, y, clamped(x - radius - 1, w), h, w, inside)
    after = least_down(changed, y, clamped(x - radius, w), h, w, inside)
    for dx in range(-radius, radius + 1):
        before, here = here, after
        after = least_down(changed, y, clamped(x + dx + 1, w), h, w, inside)
        one = tl.minimum(tl.minimum(before, here), after)
        # Beyond the edge is no other pixel than at it.
        found = tl.maximum(found, tl.where((x + dx >= 0) & (x + dx < w), one, 0.0))
    tl.store(grown + e, found, mask=inside)


@triton.jit
def least_down(plane, y, x, h, w, inside):
    """The least of three values of a column."""
    one = tl.load(plane + clamped(y - 1, h) * w + x, mask=inside, other=0.0)
    two = tl.load(plane + y * w + x, mask=inside, other=0.0)
    three = tl.load(plane + clamped(y + 1, h) * w + x, mask=inside, other=0.0)
    return tl.minimum(tl.minimum(one, two), three)


@triton.jit
def grow_down(grown, wide, pid, h, w, radius: tl.constexpr, block: tl.constexpr):
    """Grown along the columns."""
    e, y, x, inside = flat_places(pid, h, w, block)
    found = tl.zeros((block,), tl.float32)
    for dy in range(-radius, radius + 1):
        here = clamped(y + dy, h) * w + x
        found = tl.maximum(found, tl.load(grown + here, mask=inside, other=0.0))
    tl.store(wide + e, found, mask=inside)


@triton.jit
def shrink_across(wide, held, pid, h, w, radius: tl.constexpr, block: tl.constexpr):
    """Shrunk again along the rows."""
    e, y, x, inside = flat_places(pid, h, w, block)
    found = tl.zeros((block,), tl.float32) + float("inf")
    for dx in range(-radius, radius + 1):
        here = y * w + clamped(x + dx, w)
        found = tl.minimum(found, tl.load(wide + here, mask=inside, other=0.0))
    tl.store(held + e, found, mask=inside)


@triton.jit
def close_changed(held, proposed, below, closed, reach, pid, h, w, radius: tl.constexpr,
                  block: tl.constexpr):  # fmt: skip
    """Shrunk along the columns; and whether anything changed below the screen."""
    e, y, x, inside = flat_places(pid, h, w, block)
    found = tl.zeros((block,), tl.float32) + float("inf")
    for dy in range(-radius, radius + 1):
        here = clamped(y + dy, h) * w + x
        found = tl.minimum(found, tl.load(held + here, mask=inside, other=0.0))
    tl.store(closed + e, found, mask=inside)
    floor = tl.load(below + e, mask=inside, other=0.0)
    moved = floor * tl.load(proposed + e, mask=inside, other=0.0) * found > 0
    tl.atomic_max(reach + 5, tl.max((moved & inside).to(tl.int32), 0), sem="relaxed")


@triton.jit
def whole_cells(weight, cells, shrunk, pid, h, w, cell: tl.constexpr, block: tl.constexpr):
    """Cells that are screen for more than a half; and those with such neighbours alone."""
    hc, wc = (h + cell - 1) // cell, (w + cell - 1) // cell
    e, y, x, inside = flat_places(pid, hc, wc, block)
    least_whole = tl.zeros((block,), tl.float32) + 1.0
    for k in tl.static_range(9):
        # The cell itself comes last.
        row, column = clamped(y + (k + 5) % 9 // 3 - 1, hc), clamped(x + (k + 5) % 3 - 1, wc)
        total = tl.zeros((block,), tl.float32)
        for part in tl.static_range(cell * cell):
            one, two = row * cell + part // cell, column * cell + part % cell
            there = inside & (one < h) & (two < w)
            total += tl.load(weight + one * w + two, mask=there, other=0.0)
        count = tl.minimum(h - row * cell, cell) * tl.minimum(w - column * cell, cell)
        whole = (total / tl.maximum(count, 1) > 0.5).to(tl.float32)
        least_whole = tl.minimum(least_whole, whole)
        if k == 8:
            tl.store(cells + e, whole, mask=inside)
    tl.store(shrunk + e, least_whole, mask=inside)


@triton.jit
def open_cells(cells, shrunk, opened, reach, pid, hc, wc, block: tl.constexpr):
    """Cells without scattered ones; and whether any are left."""
    e, y, x, inside = flat_places(pid, hc, wc, block)
    found = most(shrunk, y, x, hc, wc, 2, inside)
    found = tl.where(inside, found * tl.load(cells + e, mask=inside, other=0.0), 0.0)
    tl.store(opened + e, found, mask=inside)
    tl.atomic_max(reach + 4, (tl.max(found, 0) > 0).to(tl.int32), sem="relaxed")


@kernel
def spread_first(squares8, sums, filled, wide, state, h8, w8, cells, last: tl.constexpr,
                 block: tl.constexpr):  # fmt: skip
    """The first round's scale, one program a channel."""
    c = tl.program_id(0)
    spread_scale(squares8, sums, filled, wide, state, c, h8, w8, cells, 0, last, block)


@kernel
def spread_second(squares8, sums, filled, wide, state, seen, weight, partial, low, high, changed,
                  cells, shrunk, h, w, stride, plate: tl.constexpr, cell: tl.constexpr,
                  n8_block: tl.constexpr, last: tl.constexpr, block: tl.constexpr,
                  flat: tl.constexpr):  # fmt: skip
    """The second round's scale; meanwhile, where the frame has changed, or which cells are
    screen."""
    pid = tl.program_id(0)
    if pid < 3:
        spread_scale(squares8, sums, filled, wide, state, pid, (h + 7) // 8, (w + 7) // 8, stride,
                     1, last, block)  # fmt: skip
    else:
        if plate:
            mark_changed(seen, weight, partial, low, high, changed, pid - 3, h, w, n8_block, flat)
        else:
            whole_cells(weight, cells, shrunk, pid - 3, h, w, cell, flat)


@kernel
def scale_second(seen, wide, color, weight, off, shade, counters, kept, kept8, state, changed,
                 grown, cells, shrunk, opened, reach, h, w, hc, wc, plate: tl.constexpr,
                 radius: tl.constexpr, programs: tl.constexpr, tiles: tl.constexpr,
                 flat: tl.constexpr):  # fmt: skip
    """The guess scaled for the second time; meanwhile, what has changed grown, or cells opened."""
    pid = tl.program_id(0)
    if pid < programs:
        scale_guess(seen, wide, color, weight, off, shade, counters, kept, kept8, state, pid, h,
                    w, 1, plate, tiles)  # fmt: skip
    else:
        if plate:
            grow_across(changed, grown, pid - programs, h, w, radius, flat)
        else:
            open_cells(cells, shrunk, opened, reach, pid - programs, hc, wc, flat)


@kernel
def scale_first(seen, wide, color, weight, off, shade, counters, kept, kept8, state, h, w,
                plate: tl.constexpr, tiles: tl.constexpr):  # fmt: skip
    """The guess scaled for the first time."""
    scale_guess(seen, wide, color, weight, off, shade, counters, kept, kept8, state,
                tl.program_id(0), h, w, 0, plate, tiles)  # fmt: skip


@kernel
def bound_first(counters, state):
    """The first round's bound."""
    find_bound(counters, state, 0)


@kernel
def bound_second(counters, state, grown, wide, cells, opened, reach, ends, h, w, hc, wc,
                 plate: tl.constexpr, radius: tl.constexpr, rows: tl.constexpr,
                 flat: tl.constexpr):  # fmt: skip
    """The second round's bound; meanwhile, what has changed grown further, or ends of rows of
    cells."""
    pid = tl.program_id(0)
    if pid == 0:
        find_bound(counters, state, 1)
    else:
        if plate:
            grow_down(grown, wide, pid - 1, h, w, radius, flat)
        else:
            find_ends(cells, opened, reach, ends, pid - 1, hc, wc, rows, 16, 32)


@kernel
def find_foreign(off, shade, foreign, counters, state, wide, eroded, strips, ends, held, h, w, hc,
                 wc, plate: tl.constexpr, gap: tl.constexpr, programs: tl.constexpr,
                 tiles: tl.constexpr, rows: tl.constexpr, flat: tl.constexpr):  # fmt: skip
    """Squares of four pixels that hold something else than screen; meanwhile, what has changed
    shrunk, or lines begun."""
    pid = tl.program_id(0)
    if pid < programs:
        emptied(counters, COUNTERS, pid, programs, 64)
        y, x, inside = tile_places(pid, h, w, tiles)
        bound = tl.load(state + BOUND + 1)
        other = softened(off, y, x, h, w, inside) > 3 * bound
        other = other | (softened(shade, y, x, h, w, inside) < LEAST_SHADE)
        total = squares(squares((inside & other).to(tl.float32), tiles, 8), tiles, 4)
        count = squares(squares(inside.to(tl.float32), tiles, 8), tiles, 4)
        place, there = square_places(pid, h, w, tiles, 2)
        share = total / tl.maximum(count, 1.0)
        tl.store(foreign + place, (share > 0.25).to(tl.float32), mask=there)
    else:
        if plate:
            shrink_across(wide, eroded, pid - programs, h, w, gap, flat)
        else:
            begin_strip(ends, strips, held, pid - programs, hc, wc, rows)


@kernel
def grow_foreign(foreign, near, eroded, proposed, below, closed, reach, cells, opened, ends,
                 strips, held, h4, w4, h, w, hc, wc, plate: tl.constexpr, radius: tl.constexpr,
                 gap: tl.constexpr, programs: tl.constexpr, rows: tl.constexpr,
                 block: tl.constexpr, flat: tl.constexpr):  # fmt: skip
    """What is near something else; meanwhile, what has changed closed, or lines ended."""
    pid = tl.program_id(0)
    if pid < programs:
        e, y, x, inside = flat_places(pid, h4, w4, block)
        beside = tl.arange(0, 32) - radius
        column = clamped(x[:, None] + beside[None, :], w4)
        there = inside[:, None] & (beside <= radius)[None, :]
        found = tl.zeros((block, 32), tl.float32)
        for dy in range(-radius, radius + 1):
            row = clamped(y + dy, h4) * w4
            found = tl.maximum(found, tl.load(foreign + row[:, None] + column, mask=there,
                                              other=0.0))  # fmt: skip
        tl.store(near + e, tl.max(found, 1), mask=inside)
    else:
        if plate:
            close_changed(eroded, proposed, below, closed, reach, pid - programs, h, w, gap, flat)
        else:
            end_strip(cells, opened, reach, ends, strips, held, pid - programs, hc, wc, rows)
