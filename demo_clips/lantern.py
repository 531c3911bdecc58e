"""The evening template: a lake at dusk, paper lanterns, mist, reeds and a ribbon for the name.

Light is painted in linear light and brought to sRGB through one exponential shoulder, so that a
lantern can be brighter than paper white and still keep its colour.
"""

from __future__ import annotations

import cv2
import numpy as np

from demo_clips.lamps import add_bloom, bokeh, globe, sky_lantern
from demo_clips.paint import Array, Canvas, Sheet, lettering, light, ramp, rgb, smooth
from demo_clips.scenario import FONTS

HORIZON = 1830.0


def shoulder(linear: Array) -> Array:
    """Linear light of any height to encoded sRGB in [0, 1)."""
    held = 1 - np.exp(-1.25 * np.maximum(linear, 0))
    return np.where(held <= 0.0031308, held * 12.92, 1.055 * held ** (1 / 2.4) - 0.055).astype(
        np.float32
    )


def _sky(canvas: Canvas, rng: np.random.Generator) -> Array:
    y, x = canvas.grid()
    clouds = canvas.noise(rng, (5, 2), 5, 0.55)
    lift = (clouds - 0.5) * 300 * smooth(500, 1500, y)
    sink = ((x - 1200) / 1200) ** 2 * 170
    sky = ramp(
        y + lift - sink + np.zeros_like(x),
        [
            (0, light("#0b1030")),
            (560, light("#18205a")),
            (1000, light("#37357c")),
            (1330, light("#70488c")),
            (1570, light("#b8607f")),
            (1740, light("#ec8e66")),
            (HORIZON, light("#ffc27a")),
        ],
    )
    # Thin clouds catch the last light from below.
    veil = smooth(0.52, 0.86, clouds) * smooth(650, 1400, y) * smooth(1830, 1650, y)
    sky += veil[..., None] * np.array(light("#ff9a78"), np.float32) * 0.5
    stars = np.zeros((canvas.h, canvas.w), np.float32)
    for sx, sy, power in rng.random((520, 3)):
        row, column = int(sy * 0.42 * canvas.h), int(sx * canvas.w)
        stars[row, column] = 0.25 + 4.0 * float(power) ** 9
    size = max(canvas.scale * 2.2, 0.55)
    stars = cv2.GaussianBlur(stars, (0, 0), size) * np.float32(size * size * 4)
    return sky + (stars * smooth(1250, 250, y))[..., None] * np.array((0.85, 0.92, 1.0), np.float32)


def _hills(canvas: Canvas, sky: Array, rng: np.random.Generator) -> None:
    """Five ridges, each nearer one darker and less veiled, laid into ``sky``."""
    y, x = canvas.grid()
    places = np.linspace(0, 1, canvas.w, dtype=np.float32)
    ridges = (
        (1560, 250, 5, "#a1668c", 0.25),
        (1620, 210, 7, "#774f86", 0.35),
        (1690, 150, 8, "#4f3b74", 0.45),
        (1750, 110, 10, "#33295a", 0.6),
        (1800, 60, 14, "#1d1a40", 0.8),
    )
    for base, height, cells, code, _ in ridges:
        line = np.zeros_like(places)
        weight, total = 1.0, 0.0
        for octave in range(6):
            knots = rng.random(cells * 2**octave + 2).astype(np.float32)[None, :]
            line += weight * cv2.resize(knots, (canvas.w, 1), interpolation=cv2.INTER_CUBIC).ravel()
            total += weight
            weight *= 0.47
        # Lower in the middle: the last light stands behind the subject.
        valley = 1 - 0.55 * np.exp(-(((places - 0.5) / 0.3) ** 2))
        top = base + height * 0.5 - (line / total) * height * 1.9 * valley
        cover = np.clip((y - top[None, :]) / np.float32(1.6 / canvas.scale) + 0.5, 0, 1)
        haze = smooth(HORIZON - 320, HORIZON + 10, y) * 0.55
        colour = np.array(light(code), np.float32) * (1 - haze[..., None]) + haze[
            ..., None
        ] * np.array(light("#e28f78"), np.float32)
        glow = np.exp(-(((x - 1200) / 900) ** 2))[..., None] * 0.25
        colour = colour + glow * np.array(light("#ff9c66"), np.float32) * haze[..., None]
        sky += cover[..., None] * (colour - sky)


def _village(canvas: Canvas, scene: Array, rng: np.random.Generator) -> None:
    lamps = np.zeros_like(scene)
    for _ in range(85):
        side = rng.random() < 0.5
        spread = abs(rng.normal(0, 430))
        x = (60 + spread) if side else (2340 - spread)
        y = HORIZON - 6 - abs(rng.normal(0, 22)) - 60 * max(0.0, 1 - spread / 500) * rng.random()
        row, column = int(canvas.px(y)), int(canvas.px(x) % canvas.w)
        warmth = rng.random()
        lamps[row, column] += np.array((1.0, 0.62 + 0.2 * warmth, 0.25 + 0.3 * warmth)) * (
            2 + 10 * rng.random()
        )
    size = max(canvas.scale * 3.4, 0.6)
    scene += cv2.GaussianBlur(lamps, (0, 0), size) * np.float32(size * size * 2.2)
    scene += canvas.blur(lamps, 24) * np.float32((24 * canvas.scale) ** 2 * 0.05)


def _lake(canvas: Canvas, scene: Array, rng: np.random.Generator) -> None:
    """Mirror what stands above the horizon, broken by ripples that grow towards the viewer."""
    y, x = canvas.grid()
    first = round(canvas.px(HORIZON))
    depth = (y - HORIZON) / (3000 - HORIZON)
    near = np.clip(depth, 0, 1)
    phase = np.log1p(near * 30) * 26
    wander = canvas.noise(rng, (10, 3), 4, 0.6) * 9
    swell = canvas.noise(rng, (90, 4), 3, 0.6) - 0.5
    ripple = np.sin(phase * 4 + wander * 3) * 0.5 + swell * 2.2
    map_y = HORIZON - (y - HORIZON) * 1.28 + ripple * (6 + 130 * near)
    map_x = x + swell * (10 + 60 * near) + np.zeros_like(y)
    mirrored = cv2.remap(
        scene,
        np.ascontiguousarray(map_x * canvas.scale - 0.5, np.float32),
        np.ascontiguousarray(np.minimum(map_y, HORIZON - 2) * canvas.scale - 0.5, np.float32),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REFLECT,
    )
    # Reflections are drawn out downwards: blur along y only.
    length = max(canvas.px(16), 0.4)
    mirrored = cv2.GaussianBlur(mirrored, (0, 0), sigmaX=max(canvas.px(2), 0.3), sigmaY=length)
    deep = np.array(light("#0e1236"), np.float32)
    keep = (0.86 - 0.5 * near + 0.16 * ripple * smooth(0, 0.15, near))[..., None]
    water = mirrored * np.clip(keep, 0.1, 1) + deep * (0.25 + near[..., None] * 0.5)
    scene[first:] = water[first:]
    # The shore is a dark line with a breath of haze over it.
    shore = np.exp(-(((y - HORIZON - 4) / 7) ** 2)) * 0.75
    scene *= 1 - shore[..., None]
    haze = np.exp(-np.abs(y - HORIZON) / 60) * (0.55 + 0.45 * canvas.noise(rng, (3, 5), 4))
    scene += haze[..., None] * np.array(light("#f0a483"), np.float32) * 0.16


def night(canvas: Canvas, rng: np.random.Generator) -> Array:
    """The opaque background, (H, W, 3) encoded sRGB: sky, hills, village, lanterns, lake."""
    scene = _sky(canvas, rng)
    _hills(canvas, scene, rng)
    _village(canvas, scene, rng)
    lamps = np.zeros_like(scene)
    cover = np.zeros((canvas.h, canvas.w), np.float32)
    for i in range(64):
        distance = i / 63
        size = 13 + 62 * distance**2.6 + 5 * rng.random()
        x = rng.uniform(40, 2360)
        y = rng.uniform(240, 1640) if distance < 0.75 else rng.uniform(420, 1450)
        if distance > 0.6 and abs(x - 1200) < 560:  # the large ones keep clear of the subject
            x = 1200 + np.sign(x - 1200) * rng.uniform(620, 1120)
        lean = rng.normal(0, 0.1)
        sky_lantern(canvas, lamps, cover, (float(x), float(y)), size, lean, 0.35 + 0.65 * distance)
    scene *= 1 - cover[..., None]
    scene += lamps
    add_bloom(canvas, scene, lamps, ((8, 0.5), (34, 0.28), (120, 0.16)))
    _lake(canvas, scene, rng)
    # One wide breath of light behind head and shoulders lifts the subject off the sky.
    rows, columns = canvas.grid()
    halo = np.exp(-(((columns - 1200) / 760) ** 2) - ((rows - 1180) / 820) ** 2)
    scene += halo[..., None] * np.array(light("#c66a86"), np.float32) * 0.30
    grain = rng.normal(0, 1, (canvas.h, canvas.w, 1)).astype(np.float32)
    painted: Array = np.clip(shoulder(scene) + grain * np.float32(0.006), 0, 1)
    return painted


def title(canvas: Canvas) -> Sheet:
    """The event's name, set behind the subject, glowing a little."""
    sheet = Sheet(canvas)
    line = lettering(
        canvas,
        "Lantern Night",
        FONTS / "EBGaramond12-Italic.ttf",
        262,
        (1200, 388),
        track=-0.004,
        kerns={"La": -0.012, "n ": -0.02, " N": -0.04, "rn": 0.004},
    )
    place = lettering(
        canvas,
        "TARNELOW LAKE",
        FONTS / "EBGaramondSC12-Regular.ttf",
        66,
        (1200, 176),
        track=0.26,
        kerns={"TA": -0.09, "LA": -0.02, "LO": -0.02, "OW": -0.04, "W ": -0.06, "AK": -0.02},
    )
    y, x = canvas.grid()
    gold = ramp(
        y - 0.04 * (x - 1200),
        [(130, rgb("#ffe9c0")), (280, rgb("#fff3d6")), (380, rgb("#f7c986"))],
    )
    both = np.maximum(line, place)
    sheet.lay(rgb("#120c2c"), np.clip(canvas.blur(both, 26) * 0.9, 0, 0.5))
    sheet.lay(rgb("#ff9d5c"), np.clip(canvas.blur(both, 12) * 0.8, 0, 0.42))
    sheet.lay(gold, both)
    rules = np.maximum(
        canvas.shape([(420, 153), (760, 151), (760, 156), (420, 154)]),
        canvas.shape([(1980, 153), (1640, 151), (1640, 156), (1980, 154)]),
    )
    sheet.lay(rgb("#f7c986"), rules * 0.85)
    return sheet


def mist(canvas: Canvas, rng: np.random.Generator) -> Sheet:
    """Partly transparent mist that lies on the water in front of the subject's legs."""
    sheet = Sheet(canvas)
    y, x = canvas.grid()
    body = canvas.noise(rng, (7, 3), 5, 0.55)
    edge = y + (body - 0.5) * 520
    cover = smooth(2130, 2800, edge) * (0.35 + 0.65 * body) * 0.72
    cover = cover * (1 - 0.15 * np.exp(-(((x - 1200) / 500) ** 2)))
    colour = ramp(edge, [(2150, rgb("#d98f8c")), (2480, rgb("#7d5a8c")), (2900, rgb("#2a2a5e"))])
    sheet.lay(colour, np.clip(cover, 0, 1).astype(np.float32))
    return sheet


def glow(canvas: Canvas, rng: np.random.Generator) -> Sheet:
    """The light layer, opaque on black, to be blended by screen: flare, shafts, bokeh, embers."""
    y, x = canvas.grid()
    scene = np.zeros((canvas.h, canvas.w, 3), np.float32)
    for cx, cy, reach, code, power in (
        (-60, 640, 620, "#ff8a3c", 0.30),
        (2480, 1180, 640, "#ff7a4a", 0.26),
        (1200, 3050, 900, "#6a4fb0", 0.10),
    ):
        distance = np.sqrt((x - cx) ** 2 + (y - cy) ** 2)
        scene += (np.exp(-distance / (reach * 0.42)) * power)[..., None] * np.array(
            light(code), np.float32
        )
    angle = np.arctan2(y - 520, x + 260)
    fan = sum(
        np.exp(-(((angle - a) / width) ** 2)) * power
        for a, width, power in ((0.16, 0.05, 0.7), (0.42, 0.035, 1.0), (0.62, 0.07, 0.8))
    )
    fall = np.exp(-np.hypot(x + 260, y - 520) / 850)
    scene += (fan * fall * 0.30)[..., None] * np.array(light("#ffb066"), np.float32)
    bokeh(canvas, scene, rng)
    black = np.clip(shoulder(scene), 0, 1)
    sheet = Sheet(canvas)
    sheet.lay(black, np.ones((canvas.h, canvas.w), np.float32))
    return sheet


def near_lanterns(canvas: Canvas) -> Sheet:
    """Large paper globes close to the camera, hung at the picture's edges, slightly soft."""
    colour = np.zeros((canvas.h, canvas.w, 3), np.float32)
    cover = np.zeros((canvas.h, canvas.w), np.float32)
    hung = (
        (205, 765, 205, "#ff7a1e", 4.0),
        (2262, 1010, 178, "#f2452a", 3.5),
        (52, 1330, 120, "#f45a34", 3.0),
        (2345, 520, 118, "#ff9426", 3.0),
    )
    for x, y, radius, code, soft in hung:
        cord = canvas.stroke(5, np.array([(x + 14, -20), (x, y - radius * 0.95)]))
        cord = canvas.blur(cord, soft)
        colour *= 1 - cord[..., None]
        cover[:] = cover + cord - cover * cord
        globe(canvas, colour, cover, (x, y), radius, light(code), soft)
    sheet = Sheet(canvas)
    halo = canvas.blur(colour, 60) * 0.55 + canvas.blur(colour, 170) * 0.5
    lit = shoulder(colour + halo * (1 - cover[..., None]))
    strength = np.clip(halo.max(2) * 1.1, 0, 0.6)
    strength = strength * (1 - cover) + cover
    straight = lit / np.maximum(lit.max(2, keepdims=True), 1e-3)
    tone = np.where(cover[..., None] > 0.02, lit / np.maximum(cover[..., None], 0.02), straight)
    mixed = cover[..., None] * np.clip(tone, 0, 1) + (1 - cover[..., None]) * straight
    sheet.lay(np.clip(mixed, 0, 1).astype(np.float32), strength.astype(np.float32))
    return sheet
