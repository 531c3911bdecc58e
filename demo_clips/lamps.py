"""Paper lamps as light: sky lanterns, round paper globes, discs of unfocused light, bloom."""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np

from demo_clips.paint import Array, Canvas, Colour, light, smooth


def _window(canvas: Canvas, at: tuple[float, float], reach: float) -> tuple[slice, slice] | None:
    """The part of the picture within ``reach`` of a point, design pixels; None outside."""
    x0, x1 = int(canvas.px(at[0] - reach)), int(canvas.px(at[0] + reach)) + 2
    y0, y1 = int(canvas.px(at[1] - reach)), int(canvas.px(at[1] + reach)) + 2
    x0, y0, x1, y1 = max(x0, 0), max(y0, 0), min(x1, canvas.w), min(y1, canvas.h)
    return (slice(y0, y1), slice(x0, x1)) if x1 > x0 and y1 > y0 else None


def _local(
    canvas: Canvas, part: tuple[slice, slice], at: tuple[float, float], unit: float
) -> tuple[Array, Array]:
    """Coordinates about a point in units of ``unit`` design pixels: v (h, 1) and u (1, w)."""
    y, x = canvas.grid()
    return (y[part[0]] - at[1]) / np.float32(unit), (x[:, part[1]] - at[0]) / np.float32(unit)


def sky_lantern(
    canvas: Canvas,
    lamps: Array,
    cover: Array,
    at: tuple[float, float],
    size: float,
    lean: float,
    power: float,
) -> None:
    """A paper lantern afloat: a tapered hood, brightest above its flame.

    Args:
        canvas: the size painted.
        lamps: (H, W, 3) linear light, painted into.
        cover: (H, W) coverage, painted into.
        at: centre, design pixels.
        size: half its height, design pixels.
        lean: sideways shear.
        power: brightness; far ones are dimmer.
    """
    part = _window(canvas, at, size * 1.5)
    if part is None:
        return
    v, u = _local(canvas, part, at, size)
    u = u - lean * v
    dome = 0.74 * np.sqrt(np.clip(1 - ((v + 0.35) / 0.65) ** 2, 0, 1))
    wall = 0.74 - 0.20 * (v + 0.35) / 1.35 - 0.03 * np.cos(v * 9)
    half = np.where(v < -0.35, dome, wall)
    soft = 1.2 / max(canvas.px(size), 1.0)
    mask = smooth(soft, -soft, np.abs(u) - half) * smooth(1 + soft, 1 - soft, np.abs(v))
    flame = np.exp(-((u / 0.42) ** 2) - ((v - 0.72) / 0.55) ** 2)
    body = 0.45 + 0.4 * (v + 1) / 2
    fold = 1 - 0.16 * np.exp(-(((np.abs(u) - half * 0.42) / 0.035) ** 2))
    round_off = 0.62 + 0.38 * np.sqrt(np.clip(1 - (u / np.maximum(half, 0.05)) ** 2, 0, 1))
    rim = np.exp(-(((v - 0.93) / 0.05) ** 2)) * 0.6
    shade = (body * fold * round_off * (1 - rim))[..., None]
    colour = shade * np.array(light("#ff9440"), np.float32) * 1.5
    colour = colour + flame[..., None] * np.array(light("#ffd98c"), np.float32) * 2.6
    lamps[part] = lamps[part] * (1 - mask[..., None]) + colour * mask[..., None] * power
    cover[part] = np.maximum(cover[part], mask)


def globe(
    canvas: Canvas,
    colour: Array,
    cover: Array,
    at: tuple[float, float],
    radius: float,
    tint: Colour,
    soft: float,
) -> None:
    """A round paper lantern on bamboo rings, lit from inside; `colour` ends premultiplied.

    Args:
        canvas: the size painted.
        colour: (H, W, 3) linear light times coverage, painted into.
        cover: (H, W) coverage, painted into.
        at: centre, design pixels.
        radius: design pixels.
        tint: the paper's colour, linear.
        soft: how far out of focus, sigma in design pixels.
    """
    part = _window(canvas, at, radius * 1.3)
    if part is None:
        return
    v, u = _local(canvas, part, at, radius)
    tall = np.float32(0.9)
    across = np.sqrt(u * u + (v / tall) ** 2)
    edge = 1.2 / canvas.px(radius)
    mask = smooth(1 + edge, 1 - edge, across)
    facing = np.sqrt(np.clip(1 - across**2, 0, 1))
    # Rings are circles seen from slightly below: their lines bow with the paper's turn.
    latitude = np.arcsin(np.clip((v - 0.10 * facing) / tall, -1, 1))
    ring = np.exp(-((np.sin(latitude * 9.5) / 0.14) ** 2))
    billow = 0.5 + 0.5 * np.cos(latitude * 19)
    heart = np.exp(-((u / 0.62) ** 2) - ((v - 0.12) / 0.5) ** 2)
    paper = (0.16 + 0.72 * facing) * (1 - 0.42 * ring) * (0.9 + 0.1 * billow)
    lit = paper[..., None] * np.array(tint, np.float32) * 0.95
    lit = (
        lit + (heart * (1 - 0.35 * ring))[..., None] * np.array(light("#ffcf7a"), np.float32) * 0.85
    )
    for end in (-0.90, 0.90):
        cap = smooth(0.37, 0.35, np.abs(u)) * smooth(0.055, 0.04, np.abs(v - end + 0.02 * u * u))
        mask = np.maximum(mask, cap)
        lit = lit * (1 - cap[..., None]) + cap[..., None] * np.array(light("#3a1a12"), np.float32)
    tassel = smooth(0.055, 0.035, np.abs(u)) * smooth(0.92, 0.94, v) * smooth(1.27, 1.2, v)
    mask = np.maximum(mask, tassel)
    lit = lit * (1 - tassel[..., None]) + tassel[..., None] * np.array(light("#7c1f1c"), np.float32)
    if canvas.px(soft) > 0.3:
        sigma = canvas.px(soft)
        lit = cv2.GaussianBlur(lit * mask[..., None], (0, 0), sigma)
        mask = cv2.GaussianBlur(mask, (0, 0), sigma)
    else:
        lit = lit * mask[..., None]
    colour[part] = colour[part] * (1 - mask[..., None]) + lit
    cover[part] = cover[part] + mask - cover[part] * mask


def add_bloom(
    canvas: Canvas, scene: Array, lamps: Array, rings: Sequence[tuple[float, float]]
) -> None:
    """Scatter lamp light as a lens does: (sigma in design pixels, share) for every ring."""
    for sigma, share in rings:
        scene += canvas.blur(lamps, sigma) * np.float32(share)


def bokeh(canvas: Canvas, scene: Array, rng: np.random.Generator) -> None:
    """Discs of unfocused light at the sides and sparks that drift up, added in linear light."""
    hues = [light(c) for c in ("#ffb45a", "#ff8a4a", "#ffd28a", "#ff7a6a", "#b98cff")]
    for _ in range(58):
        side = rng.random() < 0.5
        x = rng.beta(1.1, 4.5) * 1100
        x = x if side else 2400 - x
        y = rng.uniform(500, 2500)
        radius = rng.uniform(16, 74) * (1.25 - 0.5 * abs(y - 1500) / 1500)
        part = _window(canvas, (x, y), radius * 1.15)
        hue = np.array(hues[int(rng.integers(len(hues)))], np.float32)
        power = rng.uniform(0.03, 0.16) * (34 / radius) ** 0.4
        if part is None:
            continue
        v, u = _local(canvas, part, (x, y), radius)
        away = np.sqrt(u * u + v * v)
        disc = smooth(1.04, 0.93, away) * (0.72 + 0.28 * smooth(0.6, 0.97, away))
        scene[part] += (disc * power)[..., None] * hue
    for _ in range(150):
        x = rng.beta(0.7, 0.7) * 2400
        y = 2700 - rng.beta(1.2, 1.7) * 2300
        radius = 2.0 + 4.5 * rng.random() ** 3
        if abs(x - 1200) < 560:
            continue
        part = _window(canvas, (x, y), radius * 4)
        if part is None:
            continue
        v, u = _local(canvas, part, (x, y), radius)
        spark = np.exp(-(u * u + v * v) / 1.2) + 0.18 * np.exp(-(u * u + v * v) / 8)
        scene[part] += (spark * rng.uniform(0.3, 1.0))[..., None] * np.array(
            light("#ffb060"), np.float32
        )
