"""The subject found in a live frame, as `models.matte.find_subject` finds it."""

from __future__ import annotations

import numpy as np
import torch
from torch import Tensor

from models import matte
from models.features import radius
from models.kernels.cpu.compiled import kernel
from models.kernels.cpu.fitting import as_field, below
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
from models.kernels.cpu.ranking import f4
from models.kernels.cpu.surroundings import described
from models.kernels.cpu.workspace import Room, Workspace
from models.matte import Subject
from models.screen import Screen

_ZERO, _ONE, _HALF = f4(0), f4(1), f4(0.5)
_TWO, _THREE = f4(2), f4(3)
_LEAST, _TINY = f4(1e-3), f4(1e-6)


@kernel("void(f4[:,::1], f4, f4, f4[:,::1])")
def smooth_step(src: Array, low: float, span: float, out: Array) -> None:
    """Hermite's smooth step of a field, from ``low`` over ``span``."""
    for y in range(src.shape[0]):
        row, to = src[y], out[y]
        for x in range(src.shape[1]):
            t = (row[x] - low) / span
            t = t if t > _ZERO else _ZERO
            t = t if t < _ONE else _ONE
            to[x] = t * t * (_THREE - _TWO * t)


@kernel("void(f4[:,:,::1], f4[:,:,::1], i8, f4[:,::1])")
def difference(rgb: Array, color: Array, key: int, out: Array) -> None:
    """The normalised colour difference of (3, h, w), clamped to [0, 1]."""
    for y in range(out.shape[0]):
        own, first, second = rgb[key, y], rgb[0, y], rgb[3 - key, y]
        back, one, two, to = color[key, y], color[0, y], color[3 - key, y], out[y]
        for x in range(out.shape[1]):
            bare = back[x] - (one[x] if one[x] > two[x] else two[x])
            bare = bare if bare > _LEAST else _LEAST
            off = _ONE - (own[x] - (first[x] if first[x] > second[x] else second[x])) / bare
            off = off if off > _ZERO else _ZERO
            to[x] = off if off < _ONE else _ONE


@kernel("i8(f4[:,::1], f4[:,::1], u1[:,::1], u1[:,::1], u1[:,::1])")
def widen(rough: Array, reach: Array, flat: Array, core: Array, out: Array) -> int:
    """One round in which the core follows spill; how many pixels it won.

    Args:
        rough: (h, w), the normalised difference.
        reach: (h, w), the most of it in the core within one pixel, below 0 where there is none.
        flat, core: (h, w), 0 or 1.
        out: (h, w), the wider core.
    """
    more = 0
    for y in range(out.shape[0]):
        row, far, even, mask, to = rough[y], reach[y], flat[y], core[y], out[y]
        for x in range(out.shape[1]):
            here = (far[x] > _ZERO) & (row[x] > f4(0.25))
            to[x] = mask[x] | (even[x] & here & (far[x] - row[x] < f4(0.13)))
        count = 0
        for x in range(out.shape[1]):
            count += to[x] != mask[x]
        more += count
    return more


@kernel("void(f4[:,::1], u1[:,::1], f4[:,::1])")
def only(values: Array, mask: Array, out: Array) -> None:
    """Values where a mask is set, -1 elsewhere."""
    for y in range(out.shape[0]):
        row, here, to = values[y], mask[y], out[y]
        for x in range(out.shape[1]):
            to[x] = row[x] if here[x] else -_ONE


@kernel("void(u1[:,::1], u1[:,::1], f4[:,::1], f4[:,::1], f4[:,::1])")
def outline(core: Array, inner: Array, least: Array, edge: Array, sharp: Array) -> None:
    """The edge of a core, and where it ends in a sharp outline.

    Args:
        core, inner: (h, w), the core and the same without its edge.
        least: (h, w), the least normalised difference around.
        edge, sharp: (h, w), get 0 or 1.
    """
    for y in range(edge.shape[0]):
        mask, within, row, to, clear = core[y], inner[y], least[y], edge[y], sharp[y]
        for x in range(edge.shape[1]):
            to[x] = _ONE if mask[x] > within[x] else _ZERO
        for x in range(edge.shape[1]):
            clear[x] = to[x] if row[x] < f4(0.1) else _ZERO


@kernel("void(u1[:,::1], f4[:,::1], u1[:,::1], f4[:,::1])")
def accepted(start: Array, share: Array, core: Array, out: Array) -> None:
    """What was core at the start, and what was won and ends sharply enough: 0 or 1."""
    for y in range(out.shape[0]):
        row, mask, wide, to = share[y], start[y], core[y], out[y]
        for x in range(out.shape[1]):
            to[x] = f4(mask[x] | (wide[x] & (row[x] > f4(0.6))))


@kernel("void(f4[:,::1], f4[:,::1], f4[:,::1])")
def subtract(src: Array, other: Array, out: Array) -> None:
    """One field less another."""
    for y in range(out.shape[0]):
        row, less, to = src[y], other[y], out[y]
        for x in range(out.shape[1]):
            to[x] = row[x] - less[x]


@kernel("void(f4[:,::1], f4[:,::1], f4[:,::1])")
def join(src: Array, share: Array, out: Array) -> None:
    """Raise a field to another times its share."""
    for y in range(out.shape[0]):
        row, there, to = src[y], share[y], out[y]
        for x in range(out.shape[1]):
            more = row[x] * there[x]
            to[x] = more if more > to[x] else to[x]


@kernel("void(f4[:,::1], f4, u1[:,::1])")
def above(values: Array, bound: float, mask: Array) -> None:
    """Mark what lies above a bound."""
    for y in range(mask.shape[0]):
        row, to = values[y], mask[y]
        for x in range(mask.shape[1]):
            to[x] = row[x] > bound


@kernel("void(f4[:,::1], f4[:,:,::1])")
def unweigh(weight: Array, fields: Array) -> None:
    """Means of what was weighed, from sums."""
    for c in range(3):
        for y in range(weight.shape[0]):
            known, to = weight[y], fields[c, y]
            for x in range(weight.shape[1]):
                to[x] /= known[x] if known[x] > _TINY else _TINY


@kernel("void(f4[:,:,::1], i8, f4[:,::1])")
def own_key_of(rgb: Array, key: int, out: Array) -> None:
    """`models.matte._own_key` of (3, h, w)."""
    for y in range(out.shape[0]):
        own, first, second, to = rgb[key, y], rgb[0, y], rgb[3 - key, y], out[y]
        for x in range(out.shape[1]):
            total = first[x] + second[x]
            most = min(own[x], max(first[x], second[x])) - total * _HALF
            to[x] = min(max(most / max(total, _LEAST), _ZERO), _HALF)


@kernel("void(f4[:,:,::1], f4[:,:,::1], i8, f4[:,::1], f4, f4, u1[:,::1])")
def strange(
    rgb: Array, color: Array, key: int, rough: Array, foreign: float, faint: float,
    out: Array,
) -> None:  # fmt: skip
    """Where a pixel may be subject: foreign in the other channels, or off in the screen's own."""
    for y in range(out.shape[0]):
        first, second, shown = rgb[0, y], rgb[3 - key, y], rough[y]
        back, one, two, to = color[key, y], color[0, y], color[3 - key, y], out[y]
        for x in range(out.shape[1]):
            a, b = abs(first[x] - one[x]), abs(second[x] - two[x])
            bare = back[x] if back[x] > _LEAST else _LEAST
            to[x] = ((a if a > b else b) > foreign * bare) | (shown[x] > faint)


def _follow_spill(rough: Array, flat: Array, core: Array, rounds: int, room: Room) -> Array:
    """Let the core spread through solid parts that carry spill: (h, w), 0 or 1."""
    reach, between, edge, sharp = np.empty((4, *rough.shape), np.float32)
    wide, other = np.empty((2, *rough.shape), np.uint8)
    start = core.copy()
    for _ in range(rounds):
        only(rough, core, reach)
        grow(reach, 1, between, reach)
        more = widen(rough, reach, flat, core, wide)
        core, wide = wide, core
        if not more:
            break
    shrink(core, 1, other, wide)
    shrink(rough, 3, between, reach)
    outline(core, wide, reach, edge, sharp)
    share = spread(sharp[None], edge, room.flat)[0]
    accepted(start, share, core, reach)
    return reach


def _colour_of(rgb: Array, core: Array, factor: int, room: Room) -> Array:
    """The colour of what ``core`` says, spread everywhere, on a copy smaller by ``factor``."""
    size = -(-core.shape[0] // factor), -(-core.shape[1] // factor)
    fields, weight = np.empty((3, *size), np.float32), np.empty(size, np.float32)
    pool(core, factor, weight)
    for c in range(3):
        pool_product(rgb[c], core, factor, fields[c])
    unweigh(weight, fields)
    return spread(fields, weight, room.flat)


def _core(rounds: int, room: Room, out: Array) -> None:
    """Where nothing but subject is, from the normalised difference and its least and most."""
    between, work, slope = room.planes[:3]
    rough, low, high = room.planes[5:8]
    shrink(low, 1, between, work)
    smooth_step(work, 0.6, 0.8 - 0.6, out)
    if not rounds:
        return
    size = -(-out.shape[0] // 2), -(-out.shape[1] // 2)
    half, mean = np.empty((2, *size), np.float32)
    sure, flat = np.empty((2, *size), np.uint8)
    smooth_step(rough, 0.6, 0.8 - 0.6, work)
    pool(work, 2, mean)
    above(mean, 0.5, sure)
    subtract(high, low, work)
    pool(work, 2, mean)
    below(mean, matte.FLAT, flat)
    pool(rough, 2, half)
    enlarge(_follow_spill(half, flat, sure, rounds, room), between, work)
    shrink(work, 2, between, work)
    smooth_step(rough, 0.1, 0.3 - 0.1, slope)
    join(work, slope, out)


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
    colors, held = torch.empty_like(rgb), [rgb.new_empty(1, 1, *size) for _ in range(4)]
    shown, bare, front = (x[0].numpy() for x in (rgb, screen.color, colors))
    core, own_key, near, solid = (x[0, 0].numpy() for x in held)
    between, inner = room.planes[:2]
    rough, low, high = room.planes[5:8]
    difference(shown, bare, key, rough)
    soften(rough, between, rough)
    shrink(rough, 1, between, low)
    grow(rough, 1, between, high)
    _core(rounds, room, core)
    for field, out in zip(_colour_of(shown, core, 2, room), front, strict=True):
        enlarge(field, between, out)
    shrink(core, max(1, max(size) // 100), between, inner)
    deep = _colour_of(shown, inner, 4, room)
    own = np.empty(deep.shape[1:], np.float32)
    own_key_of(deep, key, own)
    enlarge(own, between, own_key)
    mask, other, inside = room.masks[:3]
    strange(shown, bare, key, rough, max(0.1, 3 * noise), max(0.04, 1.5 * noise), mask)
    grow(mask, radius(size, 4), other, mask)
    as_field(mask, near)
    smooth_step(core, 0.2, 0.9 - 0.2, inner)
    above(inner, 0.99, inside)
    as_field(inside, solid)
    told = described(shown, bare, key, front, core, own_key, mask.view(np.bool_), room)
    return Subject(colors, held[0], held[1], held[2], held[3], told)
