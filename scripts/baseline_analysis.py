"""The live analysis of a frame in OpenCV and NumPy: what `models.analysis` says in torch.

A clean plate is read once by the reference and given; what hangs on it alone is kept.
"""

from __future__ import annotations

import numpy as np

from models.analysis import FOLLOW, SIDE, Grade
from models.color import Encoding, Planes
from models.features import FLOOR as LEAST_LIGHT
from models.features import OVERVIEW, radius
from models.plate import MISFIT_STOPS, Plate
from scripts.baseline_areas import Floats, enlarge, grow, mean, pool, shrink, soften, spread
from scripts.baseline_fields import Fields
from scripts.baseline_linear import to_linear
from scripts.baseline_network import Network
from scripts.baseline_outside import Outside
from scripts.baseline_screen import (
    Screen,
    find,
    fit,
    luminance,
    misfit,
    normalised,
    pooled,
    sampled,
)  # fmt: skip


class Analysis:
    """Analyses the frames of one clip; upright frames only."""

    def __init__(self) -> None:
        self._network = Network()
        self._plate: Floats | None = None
        self._outside = Outside(None)
        self._lately: tuple[int, Floats] | None = None

    def set_plate(self, plate: Plate | None) -> None:
        """Keep a clean plate, as the reference read it at analysis size, or drop it."""
        self._plate = None
        if plate is not None:
            self._plate = np.ascontiguousarray(plate.color[0].permute(1, 2, 0).numpy())
        self._outside = Outside(plate)

    def __call__(self, planes: Planes, encoding: Encoding) -> Fields | None:
        """What the frame tells; None where it shows no screen."""
        height, width = planes[0].shape
        whole = [p.numpy() for p in planes]
        factor = max(1, round(max(height, width) / SIDE[Grade.LIVE]))
        small = to_linear(pooled(planes, factor) if factor > 1 else whole, encoding)
        found = find(small)
        if found is None:
            return None
        key, middle = found
        plate = self._plate
        fits = plate is not None and misfit(small, plate, key) < MISFIT_STOPS
        bare = self._fit(small, key, middle, plate if fits else None)
        bare = self._outside(small, bare, fits)
        off = normalised(to_linear(sampled(planes, factor), encoding), bare.color, key)
        noise = float(np.sqrt((off * off * bare.sure).sum() / max(float(bare.sure.sum()), 1.0)))
        unclear = (bare.sure < 1) & (bare.hold_out < 1)
        where = []
        for axis, full in ((1, height), (0, width)):
            seen = np.flatnonzero(unclear.any(axis))
            first, last = (int(seen[0]), int(seen[-1]) + 1) if len(seen) else (0, 0)
            where.append(slice(first * factor, min(last * factor, full)))
        kept = small + bare.hold_out[..., None] * (bare.color - small)
        return self._subject(kept, bare, noise, (where[0], where[1]))

    def _fit(self, small: Floats, key: int, middle: Floats, plate: Floats | None) -> Screen:
        if plate is not None:
            return fit(small, plate, key, from_plate=True)
        lately = None
        if self._lately is not None and self._lately[0] == key:
            lately = self._lately[1] if self._lately[1].shape == small.shape else None
        if lately is not None and misfit(small, lately, key) > MISFIT_STOPS:
            lately = None
        bare = fit(small, middle if lately is None else lately, key, lately is not None)
        self._lately = key, bare.smooth
        return bare

    def _subject(
        self, rgb: Floats, bare: Screen, noise: float, where: tuple[slice, slice]
    ) -> Fields:
        """The core, its colour, and what the network is told; see `models.matte`."""
        size, key = (rgb.shape[0], rgb.shape[1]), bare.key
        rough = soften(np.clip(normalised(rgb, bare.color, key), 0, 1))
        core = step(shrink(rough, 2), 0.6, 0.8)
        half = pool(rough, 2)
        sure = pool(step(rough, 0.6, 0.8), 2) > 0.5
        flat = pool(grow(rough, 1) - shrink(rough, 1), 2) < 0.25
        sure = _follow_spill(half, flat, sure, FOLLOW[Grade.LIVE])
        wide = enlarge(sure.astype(np.float32), size)
        core = np.maximum(core, shrink(wide, 2) * step(rough, 0.1, 0.3))
        front = enlarge(_spread_of(rgb, core, 2), size)
        deep = shrink(core, max(1, max(size) // 100))
        inside = _spread_of(rgb, deep, 4)
        first, second = inside[..., 0], inside[..., 3 - key]
        total = first + second
        above = np.minimum(inside[..., key], np.maximum(first, second)) - total / 2
        own_key = enlarge(np.clip(above / np.maximum(total, 1e-3), 0, 0.5), size)
        off = np.abs(rgb - bare.color) / np.maximum(bare.color[..., key : key + 1], 1e-3)
        off = np.maximum(off[..., 0], off[..., 3 - key])
        foreign = (off > max(0.1, 3 * noise)) | (rough > max(0.04, 1.5 * noise))
        near = grow(foreign.astype(np.float32), radius(size, 4))
        solid = (step(core, 0.2, 0.9) > 0.99).astype(np.float32)
        around, overview = _context(rgb, bare, rough, front, core, own_key)
        return Fields(
            key, noise, where, bare.color, np.dstack([near, solid, bare.hold_out]), own_key,
            np.dstack([*around, front]), self._network.shapes(overview),
        )  # fmt: skip


def step(x: Floats, low: float, high: float) -> Floats:
    """Hermite's smooth step."""
    t = np.clip((x - np.float32(low)) * np.float32(1 / (high - low)), 0, 1)
    return np.asarray(t * t * (3 - 2 * t), np.float32)


def _spread_of(rgb: Floats, weight: Floats, factor: int) -> Floats:
    known = pool(weight, factor)
    held = pool(np.asarray(rgb * weight[..., None], np.float32), factor)
    return spread(np.asarray(held / np.maximum(known, 1e-6)[..., None], np.float32), known)


def _follow_spill(
    rough: Floats, flat: np.ndarray, core: np.ndarray, rounds: int
) -> np.ndarray:  # fmt: skip
    start = core
    for _ in range(rounds):
        reach = grow(np.where(core, rough, np.float32(-1)), 1)
        wider = core | (flat & (reach > 0) & (rough > 0.25) & (reach - rough < 0.13))
        if np.array_equal(wider, core):
            break
        core = wider
    edge = core & (shrink(core.astype(np.float32), 1) < 0.5)
    sharp = edge & (shrink(rough, 3) < 0.1)
    share = spread(sharp.astype(np.float32), edge.astype(np.float32))
    return np.asarray(start | (core & (share > 0.6)), bool)


def _ratio(x: Floats, key: Floats) -> Floats:
    return np.asarray(np.sqrt(np.clip(x / key, 0, 6)), np.float32)


def _wide_mean(x: Floats, reach: int) -> Floats:
    small = soften(soften(pool(x, max(1, reach // 2))))
    return enlarge(small, (x.shape[0], x.shape[1]))


def _context(
    rgb: Floats, bare: Screen, rough: Floats, front: Floats, core: Floats, own_key: Floats
) -> tuple[list[Floats], Floats]:
    """What the network is told of the frame; see `models.features.context`."""
    size, order = (rgb.shape[0], rgb.shape[1]), [bare.key, 0, 3 - bare.key]
    back = bare.color
    key = np.maximum(back[..., order[:1]], LEAST_LIGHT)
    rough = np.clip(rough, -0.3, 1.2)
    level = np.sqrt(np.clip(luminance(rgb) / np.maximum(luminance(back), LEAST_LIGHT), 0, 4))
    near, far = radius(size, 3), radius(size, 7)
    low, high = shrink(rough, near), grow(rough, near)
    middle = mean(level, near)
    texture = np.sqrt(np.maximum(mean(level * level, near) - middle * middle, 0))
    means = [_wide_mean(x, radius(size, p)) for x in (rough, core) for p in (4, 12, 40)]
    colors = [_ratio(back[..., order[1:]], key), _ratio(front[..., order], key)]
    around = [low, high, shrink(low, far), grow(high, far), texture, middle, *means, *colors]
    factor = max(1, round(max(size) / OVERVIEW))
    seen = [_ratio(rgb[..., order], key), rough, core, low, high, texture, own_key]
    return [*around, own_key, core], np.dstack([pool(x, factor) for x in seen])
