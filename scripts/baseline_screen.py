"""The screen of a frame in OpenCV and NumPy: found, fitted, held against a plate.

What `models.planes`, `models.screen`, `models.field` and `models.plate` say in torch, for the size
of the live analysis.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import cv2
import numpy as np
from numpy.typing import NDArray

from models.color import LUMA_WEIGHTS, Matrix, Planes
from models.field import BOUNDS, REACH, SHADES, SPANS
from models.planes import sampled_planes
from models.screen import FLOOR
from scripts.baseline_areas import Floats, enlarge, grow, pool, shrink, size_of, soften, spread

Mask = NDArray[np.bool_]
_KR, _KB = LUMA_WEIGHTS[Matrix.BT709]
_LUMA = np.array([[_KR, 1 - _KR - _KB, _KB]], np.float32)


class Screen(NamedTuple):
    """As `models.field.Fitted`: (h, w) and (h, w, 3) float32."""

    key: int
    color: Floats
    sure: Floats
    smooth: Floats
    hold_out: Floats


def pooled(planes: Planes, factor: int) -> tuple[Floats, ...]:
    """Three (ceil(H / factor), ceil(W / factor)) float32 planes, still code values."""
    size = tuple(planes[0].shape)
    y, cb, cr = (p.numpy().astype(np.float32) for p in planes)
    small = pool(y, factor)
    out = [small]
    for c in (cb, cr):
        if c.shape != small.shape:
            down, across = (max(1, factor * h // f) for h, f in zip(c.shape, size, strict=True))
            # Subsampled in one direction alone, chroma is pooled by another factor each way.
            c = pool(c, down) if down == across else _pool_apart(c, down, across)
            c = enlarge(c, size_of(small))
        out.append(c)
    return tuple(out)


def _pool_apart(c: Floats, down: int, across: int) -> Floats:
    size = (-(-c.shape[1] // across), -(-c.shape[0] // down))
    return np.asarray(cv2.resize(c, size, interpolation=cv2.INTER_AREA), np.float32)


def sampled(planes: Planes, factor: int) -> tuple[NDArray[Any], ...]:
    """Every so-many-th sample of each plane, at one size."""
    return tuple(p.numpy() for p in sampled_planes(planes, factor))


def luminance(rgb: Floats) -> Floats:
    """(h, w), the weights of BT.709."""
    return np.asarray(cv2.transform(rgb, _LUMA), np.float32)


def difference(rgb: Floats, key: int) -> Floats:
    """(h, w): how far the screen's channel stands above the larger of the others."""
    planes = cv2.split(rgb)
    larger = cv2.max(planes[0], planes[3 - key])
    return np.asarray(cv2.subtract(planes[key], larger), np.float32)


def normalised(rgb: Floats, color: Floats, key: int) -> Floats:
    """(h, w): one minus the difference as a share of the bare screen's own."""
    own = np.maximum(difference(color, key), np.float32(1e-3))
    return np.asarray(1 - difference(rgb, key) / own, np.float32)


def saturation(rgb: Floats, key: int) -> Floats:
    """(h, w): the difference as a share of the screen's channel."""
    return difference(rgb, key) / (rgb[..., key] + np.float32(FLOOR))


def strength(rgb: Floats, key: int) -> Floats:
    """(h, w): high where a colour is bright and pure in the screen's channel."""
    own = difference(rgb, key)
    return np.maximum(own, 0) * np.maximum(own / (rgb[..., key] + np.float32(FLOOR)), 0)


def median(x: Floats) -> Floats:
    """Along the first axis; of an even number the lower of the two in the middle, as in torch."""
    middle = (len(x) - 1) // 2
    return np.asarray(np.partition(x, middle, 0)[middle], np.float32)


def find(rgb: Floats) -> tuple[int, Floats] | None:
    """The screen's channel and its middle colour, (3,); None: no screen is to be seen."""
    small = pool(rgb, 8)
    best: tuple[float, int, Floats] | None = None
    for key in (1, 2):
        strong = strength(small, key)
        top = float(np.quantile(strong, 0.95))
        if top < 0.004:
            continue
        like = strong > 0.5 * top
        edge = strong > 0.15 * top
        around = float(np.concatenate([edge[0], edge[1:, 0], edge[1:, -1]]).mean())
        share = float(like.mean()) * top * (0.1 + around)
        if best is None or share > best[0]:
            best = share, key, median(small[like])
    return None if best is None else best[1:]


def misfit(rgb: Floats, plate: Floats, key: int) -> float:
    """How far a plate is from the frame's screen, in stops."""
    frame, bare = pool(rgb, 8), pool(plate, 8)
    strong = strength(frame, key)
    like = strong > 0.4 * np.quantile(strong, 0.95)
    least = np.float32(1e-4)
    stops = np.log2(np.maximum(frame[..., key], least) / np.maximum(bare[..., key], least))[like]
    hues = np.abs(saturation(frame, key) - saturation(bare, key))[like]
    return float(median(np.abs(stops - median(stops))) + 2 * median(hues))


def _remainder(rgb: Floats, color: Floats, key: int) -> tuple[Floats, Floats]:
    """The shade, and the length of what is left over; both (h, w)."""
    level = np.maximum(color[..., key], np.float32(1e-3))
    shade = np.asarray(rgb[..., key] / level, np.float32)
    own = np.maximum(difference(color, key), np.float32(1e-3))
    rest = [(rgb[..., c] - shade * color[..., c]) / own for c in (0, 3 - key)]
    return shade, np.asarray(cv2.magnitude(rest[0], rest[1]), np.float32)


def _well_inside(alike: Mask) -> Floats:
    return shrink((soften(soften(alike.astype(np.float32))) > 0.97).astype(np.float32), 3)


def fit(rgb: Floats, guess: Floats, key: int, from_plate: bool) -> Screen:
    """Scale a first guess, (h, w, 3) or (3,), to the frame; see `models.field.fit`."""
    size = size_of(rgb)
    seen = soften(soften(rgb))
    color = np.ascontiguousarray(np.broadcast_to(guess, rgb.shape))
    low, high, tolerance = (0.25, 1.8, 0.12) if from_plate else (0.15, 4.0, 0.11)
    own = np.maximum(saturation(color, key), np.float32(0.05))
    alike = np.abs(saturation(seen, key) / own - 1) < tolerance
    level = np.asarray(seen[..., key] / np.maximum(color[..., key], np.float32(1e-3)), np.float32)
    if from_plate and alike.any():
        level = level / max(float(median(level[alike])), 1e-3)
    alike &= (level > low) & (level < high)
    weight = np.zeros(size, np.float32)
    off: Floats | None = None
    for dark, bright in SPANS[:2]:
        weight = _well_inside(alike)
        known = pool(weight, 8)
        known = np.where(known > 0.05, known, np.float32(0))
        if float(known.sum()) == 0:
            break
        held = pool(rgb * weight[..., None], 8)
        have = np.maximum(pool(color * weight[..., None], 8), np.float32(1e-6))
        scale = np.asarray(held / have, np.float32)
        color = color * enlarge(soften(spread(scale, known)), size)
        shade, off = _remainder(seen, color, key)
        sure = off[::2, ::2][weight[::2, ::2] > 0]
        bound = BOUNDS[1]
        if len(sure):
            bound = min(max(4 * float(median(sure)) / 1.18, BOUNDS[0]), BOUNDS[1])
        alike = (off < bound) & (shade > dark) & (shade < bright)
    if off is None:
        return Screen(key, color, weight, color, np.zeros(size, np.float32))
    clear = _clear(off, shade, bound)
    fold = np.clip(soften(soften(shade)), *SHADES)
    share = np.maximum(soften(weight), clear)
    folded = color * (1 + share * (fold - 1))[..., None]
    return Screen(key, folded, weight, color, clear)


def _clear(off: Floats, shade: Floats, bound: float) -> Floats:
    reach = max(1, max(off.shape) // REACH // 4)
    foreign = (soften(off) > 3 * bound) | (soften(shade) < SHADES[0])
    cells = (pool(foreign.astype(np.float32), 4) > 0.25).astype(np.float32)
    near = enlarge(grow(cells, reach), size_of(off))
    alike = (off < 1.5 * bound) & (shade > SHADES[0]) & (shade < SHADES[1])
    return soften(alike.astype(np.float32)) * (1 - near)
