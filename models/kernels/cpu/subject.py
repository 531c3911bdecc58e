"""The subject found in a live frame, as `models.matte.find_subject` finds it."""

from __future__ import annotations

import numpy as np
import torch
from torch import Tensor

from models import features, matte
from models.features import Context, radius
from models.kernels.cpu.compiled import kernel
from models.kernels.cpu.neighbourhood import (
    Array,
    enlarge,
    grow,
    pool,
    pool_product,
    shrink,
    soften,
    spread,
)
from models.kernels.cpu.surroundings import describe
from models.kernels.cpu.workspace import Workspace
from models.matte import Subject
from models.screen import Screen

_ZERO, _ONE, _HALF = np.float32(0), np.float32(1), np.float32(0.5)
_TWO, _THREE = np.float32(2), np.float32(3)
_LEAST, _TINY = np.float32(1e-3), np.float32(1e-6)
_FLAT = np.float32(matte._FLAT)


@kernel()
def smooth_step(src: Array, low: np.float32, span: np.float32, out: Array) -> None:
    """Hermite's smooth step of a field, from ``low`` over ``span``."""
    for y in range(src.shape[0]):
        row, to = src[y], out[y]
        for x in range(src.shape[1]):
            t = (row[x] - low) / span
            t = t if t > _ZERO else _ZERO
            t = t if t < _ONE else _ONE
            to[x] = t * t * (_THREE - _TWO * t)


@kernel()
def follow_spill(
    rough: Array, flat: Array, core: Array, rounds: int, planes: Array, levels: Array
) -> None:
    """Let the core spread through solid parts that carry spill.

    Args:
        rough: (h, w).
        flat: (h, w) uint8.
        core: (h, w) uint8, is changed.
        rounds: the most rounds.
        planes: (3, h, w), memory.
        levels: as in `spread`.
    """
    h, w = rough.shape
    start, solid, between = core.copy(), np.empty((h, w), np.uint8), np.empty((h, w), np.uint8)
    reach, wide = planes[0], planes[1]
    for _ in range(rounds):
        for y in range(h):
            row, mask, to = rough[y], core[y], reach[y]
            for x in range(w):
                to[x] = row[x] if mask[x] else -_ONE
        grow(reach, 1, wide, reach)
        more = 0
        for y in range(h):
            row, far, even, mask, to = rough[y], reach[y], flat[y], core[y], solid[y]
            for x in range(w):
                here = (far[x] > _ZERO) & (row[x] > np.float32(0.25))
                to[x] = mask[x] | (even[x] & here & (far[x] - row[x] < np.float32(0.13)))
            count = 0
            for x in range(w):
                count += to[x] != mask[x]
            more += count
        if more == 0:
            break
        core[:, :] = solid
    shrink(core, 1, between, solid)
    shrink(rough, 3, wide, reach)
    sharp = planes[2:3]
    for y in range(h):
        mask, inner, row, edge, to = core[y], solid[y], reach[y], wide[y], sharp[0, y]
        for x in range(w):
            edge[x] = _ONE if mask[x] > inner[x] else _ZERO
        for x in range(w):
            to[x] = edge[x] if row[x] < np.float32(0.1) else _ZERO
    share = spread(sharp, wide, levels)
    for y in range(h):
        row, mask, to = share[0, y], start[y], core[y]
        for x in range(w):
            to[x] = mask[x] | (to[x] & (row[x] > np.float32(0.6)))


@kernel()
def colour_of(rgb: Array, core: Array, factor: int, small: Array, weight: Array, levels: Array) -> Array:
    """The colour of what ``core`` says, spread everywhere over squares of ``factor`` pixels."""
    pool(core, factor, weight)
    for c in range(3):
        pool_product(rgb[c], core, factor, small[c])
        for y in range(weight.shape[0]):
            known, to = weight[y], small[c, y]
            for x in range(weight.shape[1]):
                to[x] /= known[x] if known[x] > _TINY else _TINY
    return spread(small, weight, levels)


@kernel(
    "void(f4[:,:,::1], f4[:,:,::1], i8, f4, i8, i8, i8, f4[:,:,::1], f4[::1],"
    "f4[:,:,::1], f4[:,::1], f4[:,::1], f4[:,::1], f4[:,::1])"
)
def subject_of(
    rgb: Array, color: Array, key: int, noise: np.float32, rounds: int, inward: int, reach: int,
    planes: Array, levels: Array, front: Array, core: Array, own_key: Array, near: Array,
    solid: Array,
) -> None:  # fmt: skip
    """`models.matte.find_subject` without closing.

    Args:
        rgb: (3, h, w), the frame.
        color: (3, h, w), the bare screen.
        key: its channel.
        noise: of the matte.
        rounds: how far the core follows spill.
        inward: how deep the screen's light reaches into the subject, in pixels.
        reach: how far single strands are seen.
        planes: memory; the last three planes get the softened difference and its smallest and
            largest within a pixel.
        levels: as in `spread`.
        front, core, own_key, near, solid: get what `Subject` holds.
    """
    h, w = core.shape
    half = (h + 1) // 2, (w + 1) // 2
    between, work = planes[0], planes[1]
    rough, low, high = planes[5], planes[6], planes[7]
    other = 3 - key
    for y in range(h):
        own, first, second = rgb[key, y], rgb[0, y], rgb[other, y]
        back, one, two, to = color[key, y], color[0, y], color[other, y], rough[y]
        for x in range(w):
            bare = back[x] - (one[x] if one[x] > two[x] else two[x])
            bare = bare if bare > _LEAST else _LEAST
            off = _ONE - (own[x] - (first[x] if first[x] > second[x] else second[x])) / bare
            off = off if off > _ZERO else _ZERO
            to[x] = off if off < _ONE else _ONE
    soften(rough, between, rough)
    shrink(rough, 1, between, low)
    grow(rough, 1, between, high)
    shrink(low, 1, between, work)
    smooth_step(work, np.float32(0.6), np.float32(0.8 - 0.6), core)
    if rounds:
        small = np.empty((3, half[0], half[1]), np.float32)
        small_rough, flat = np.empty(half, np.float32), np.empty(half, np.uint8)
        sure = np.empty(half, np.uint8)
        pool(rough, 2, small_rough)
        smooth_step(rough, np.float32(0.6), np.float32(0.8 - 0.6), work)
        pool(work, 2, small[0])
        for y in range(h):
            row, less, to = high[y], low[y], work[y]
            for x in range(w):
                to[x] = row[x] - less[x]
        pool(work, 2, small[1])
        for y in range(half[0]):
            mean, even, to, level = small[0, y], small[1, y], sure[y], flat[y]
            for x in range(half[1]):
                to[x] = mean[x] > _HALF
            for x in range(half[1]):
                level[x] = even[x] < _FLAT
        follow_spill(small_rough, flat, sure, rounds, small, levels)
        for y in range(half[0]):
            mask, to = sure[y], small[0, y]
            for x in range(half[1]):
                to[x] = np.float32(mask[x])
        enlarge(small[0], between, work)
        shrink(work, 2, between, work)
        smooth_step(rough, np.float32(0.1), np.float32(0.3 - 0.1), planes[2])
        for y in range(h):
            row, there, to = work[y], planes[2, y], core[y]
            for x in range(w):
                more = row[x] * there[x]
                to[x] = more if more > to[x] else to[x]
    fields, weight = np.empty((3, half[0], half[1]), np.float32), np.empty(half, np.float32)
    filled = colour_of(rgb, core, 2, fields, weight, levels)
    for c in range(3):
        enlarge(filled[c], between, front[c])
    shrink(core, inward, between, work)
    quarter = (h + 3) // 4, (w + 3) // 4
    fields, weight = np.empty((3, quarter[0], quarter[1]), np.float32), np.empty(quarter, np.float32)
    filled = colour_of(rgb, work, 4, fields, weight, levels)
    for y in range(quarter[0]):
        own, first, second, to = filled[key, y], filled[0, y], filled[other, y], weight[y]
        for x in range(quarter[1]):
            total = first[x] + second[x]
            above = min(own[x], max(first[x], second[x])) - total * _HALF
            to[x] = min(max(above / max(total, _LEAST), _ZERO), _HALF)
    enlarge(weight, between, own_key)
    foreign = max(np.float32(0.1), _THREE * noise)
    faint = max(np.float32(0.04), np.float32(1.5) * noise)
    for y in range(h):
        first, second, shown = rgb[0, y], rgb[other, y], rough[y]
        back, one, two, to = color[key, y], color[0, y], color[other, y], work[y]
        for x in range(w):
            a, b = abs(first[x] - one[x]), abs(second[x] - two[x])
            bare = back[x] if back[x] > _LEAST else _LEAST
            off = (a if a > b else b) / bare
            to[x] = _ONE if (off > foreign) | (shown[x] > faint) else _ZERO
    grow(work, reach, between, near)
    smooth_step(core, np.float32(0.2), np.float32(0.9 - 0.2), work)
    for y in range(h):
        row, to = work[y], solid[y]
        for x in range(w):
            to[x] = _ONE if row[x] > np.float32(0.99) else _ZERO


def find_subject(
    rgb: Tensor, screen: Screen, rounds: int, close: bool, noise: float, work: Workspace
) -> Subject:
    """As `models.matte.find_subject`; its `Context` is made where pixels may be asked about.

    Args:
        rgb, screen, rounds, close, noise: as there.
        work: memory to work in.

    Returns:
        As there. ``told.around`` is zero further than three pixels from what lies within the rows
        and columns of ``near``; ``told.overview`` is whole.
    """
    size = rgb.shape[-2], rgb.shape[-1]
    if close or radius(size, 3) != 1:
        return matte.find_subject(rgb, screen, rounds, close, noise)
    room, key = work.of(size), screen.hue.value
    front = torch.empty_like(rgb)
    core, own_key, near, solid = (rgb.new_empty(1, 1, *size) for _ in range(4))
    shown, bare = rgb[0].numpy(), screen.color[0].numpy()
    flat = [x[0, 0].numpy() for x in (core, own_key, near, solid)]
    subject_of(
        shown, bare, key, np.float32(noise), rounds, max(1, max(size) // 100), radius(size, 4),
        room.planes, room.flat, front[0].numpy(), *flat,
    )  # fmt: skip
    around = torch.zeros(1, 19, *size)
    factor = max(1, round(max(size) / features._OVERVIEW))
    overview = torch.empty(1, 9, -(-size[0] // factor), -(-size[1] // factor))
    describe(
        shown, bare, key, front[0].numpy(), *flat[:3], radius(size, 7),
        *(max(1, radius(size, p) // 2) for p in (4, 12, 40)), factor,
        room.planes, around[0].numpy(), overview[0].numpy(),
    )  # fmt: skip
    return Subject(front, core, own_key, near, solid, Context(around, overview))
