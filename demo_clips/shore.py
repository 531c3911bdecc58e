"""The evening template's front: reeds and floating candles, a shade, the ribbon for the name."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from demo_clips.paint import Array, Canvas, Sheet, ramp, rgb, smooth


def _blade(
    foot: tuple[float, float], length: float, lean: float, droop: float, width: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """A bent leaf: its outline, and the strip of it that faces the light."""
    t = np.linspace(0, 1, 26)
    x = foot[0] + lean * length * t + droop * length * t**3
    y = foot[1] - length * (t - 0.35 * abs(droop) * t**3)
    half = width * 0.5 * np.sqrt(np.clip(1 - t, 0, 1)) * (0.75 + 0.6 * t * (1 - t) * 4 * 0.4)
    side = np.sign(lean + droop) or 1.0
    left, right = np.stack([x - half, y], 1), np.stack([x + half, y], 1)
    outline = np.concatenate([left, right[::-1]])
    edge = right if side < 0 else left
    inner = np.stack([edge[:, 0] + (-1 if side < 0 else 1) * half * 0.55, y], 1)
    return outline, np.concatenate([edge, inner[::-1]])


def reeds(canvas: Canvas, rng: np.random.Generator) -> Sheet:
    """Reeds that frame the picture, low in the middle, over a bank that hides the frame's cut."""
    sheet = Sheet(canvas)
    y, x = canvas.grid()
    bank_line = (
        2690 - 60 * ((x - 1200) / 1200) ** 2 + 12 * np.sin(x / 210) + 5 * np.sin(x / 67 + 1.0)
    )
    bank = smooth(-60, 70, y - bank_line)
    lit = ramp(y - bank_line, [(-60, rgb("#3a3264")), (60, rgb("#1f1c45")), (230, rgb("#100f2b"))])
    for row in range(3):  # far rows are lighter and softer: air stands between
        tone = (rgb("#4a3d70"), rgb("#251f49"), rgb("#0d0c24"))[row]
        edge = (rgb("#e79a86"), rgb("#d9855f"), rgb("#a85a4e"))[row]
        leaves, rims = [], []
        for _ in range((110, 130, 120)[row]):
            side = -1 if rng.random() < 0.5 else 1
            out = rng.beta(1.05, 3.2)
            foot_x = 1200 + side * (1290 - 1150 * out)
            if row == 2 and abs(foot_x - 1200) < 760:  # the middle stays calm for the type
                continue
            tall = (760, 640, 470)[row] * (1 - out) ** 1.25 + 130 + 90 * rng.random()
            outline, rim = _blade(
                (foot_x, 3010 - row * 4),
                tall + 160,
                -side * rng.normal(0.07, 0.09),
                -side * rng.normal(0.08, 0.17),
                rng.uniform(18, 34) * (0.8 + 0.25 * row),
            )
            leaves.append(outline)
            rims.append(rim)
        soft = (4.0, 1.5, 0.5)[row]
        mask = canvas.blur(canvas.shape(*leaves), soft)
        fade = 0.92 if row == 0 else 1.0
        sheet.lay(tone, mask * fade)
        light_side = canvas.blur(canvas.shape(*rims), soft * 0.7)
        sheet.lay(edge, light_side * mask * smooth(2900, 2250, y) * (0.5 - 0.1 * row))
        if row == 1:
            sheet.lay(lit, bank)
            _cattails(canvas, sheet, rng)
    return sheet


def _cattails(canvas: Canvas, sheet: Sheet, rng: np.random.Generator) -> None:
    for foot_x, tall, lean in (
        (90, 980, 0.06), (205, 790, 0.10), (318, 620, 0.05),
        (2330, 900, -0.07), (2215, 690, -0.04), (2378, 610, 0.02),
    ):  # fmt: skip
        t = np.linspace(0, 1, 20)
        stem = np.stack([foot_x + lean * tall * t + 24 * t * t, 3000 - tall * t], 1)
        sheet.lay(rgb("#1a1738"), canvas.stroke(7, stem))
        tip = stem[-1]
        angle = np.linspace(0, 2 * np.pi, 60)
        length, thick = rng.uniform(84, 104), 19.0
        ring = np.sign(np.cos(angle)) * np.abs(np.cos(angle)) ** 0.6 * thick
        body = np.stack([tip[0] + ring, tip[1] - np.sin(angle) * length], 1)
        mask = canvas.shape(body)
        _, x = canvas.grid()
        glow_from = np.float32(-1 if foot_x > 1200 else 1)
        shade = smooth(-thick, thick, (x - tip[0]) * glow_from)[..., None]
        velvet = np.array(rgb("#2c1a34"), np.float32) * (1 - shade) + shade * np.array(
            rgb("#a0604f"), np.float32
        )
        sheet.lay(np.broadcast_to(velvet, (canvas.h, canvas.w, 3)), mask)
        sheet.lay(rgb("#4c3350"), canvas.stroke(4, np.array([tip - (0, 90), tip - (-4, 168)])))


def shade(canvas: Canvas) -> Sheet:
    """The multiply layer, opaque: darker corners and a calm, dark foot for the type."""
    sheet = Sheet(canvas)
    y, x = canvas.grid()
    far = np.sqrt(((x - 1200) / 1500) ** 2 + ((y - 1350) / 1900) ** 2)
    corner = 1 - 0.62 * smooth(0.62, 1.25, far)
    foot = 1 - 0.5 * smooth(2350, 2950, y)
    tone = np.clip(corner * foot, 0, 1)[..., None]
    cool = np.array((0.80, 0.80, 1.0), np.float32)
    sheet.lay(tone + (1 - tone) * tone * (cool - 0.8), np.ones((canvas.h, canvas.w), np.float32))
    return sheet


def _cloth(canvas: Canvas, mask: Array, base: Array, rng: np.random.Generator) -> Array:
    """Woven cloth: soft vertical folds, a fine weave, light from above."""
    y, x = canvas.grid()
    folds = 0.5 + 0.5 * np.sin(x / 118 + 1.4 * np.sin(x / 333)) * np.cos((y - 2600) / 420)
    weave = canvas.noise(rng, (500, 60), 2) * 0.5 + canvas.noise(rng, (60, 500), 2) * 0.5
    top = smooth(2790, 2470, y)
    tone = 0.72 + 0.2 * folds + 0.16 * top + 0.14 * (weave - 0.5)
    return np.clip(base * tone[..., None], 0, 1).astype(np.float32) * (mask[..., None] > 0)


def ribbon(canvas: Canvas, rng: np.random.Generator) -> Sheet:
    """A velvet ribbon with folded tails and gold piping; the name's text field lies on it."""
    sheet = Sheet(canvas)
    y, x = canvas.grid()
    left, right, top, foot = 330.0, 2070.0, 2450.0, 2738.0

    def sag(at: NDArray[np.float64] | float) -> NDArray[np.float64]:
        return np.asarray(22 * (1 - ((np.asarray(at) - 1200) / 870) ** 2))

    across = np.linspace(left, right, 80)
    front = np.concatenate(
        [
            np.stack([across, top + sag(across)], 1),
            np.stack([across, foot + sag(across)], 1)[::-1],
        ]
    )
    tails, folds = [], []
    for side in (-1, 1):
        inner, outer = 1200 + side * 740, 1200 + side * 1060
        drop, notch = 62.0, (top + foot) / 2 + 34
        tails.append(
            [
                (inner, top + drop), (outer, top + drop - 26), (outer - side * 84, notch),
                (outer, foot + drop - 20), (inner, foot + drop),
            ]
        )  # fmt: skip
        folds.append([(1200 + side * 870, foot), (inner, foot + 4), (inner, foot + drop)])
    plum = np.array(rgb("#7d1f4e"), np.float32)
    tail_mask, fold_mask, mask = canvas.shape(*tails), canvas.shape(*folds), canvas.shape(front)
    whole = np.maximum(np.maximum(tail_mask, fold_mask), mask)
    sheet.lay(rgb("#05041a"), canvas.blur(canvas.shifted(whole, 0, 34), 42) * 0.6)
    sheet.lay(rgb("#05041a"), canvas.blur(canvas.shifted(whole, 0, 10), 10) * 0.45)
    sheet.lay(_cloth(canvas, tail_mask, plum * 0.62, rng), tail_mask)
    near_fold = smooth(620, 1010, np.abs(x - 1200) + np.zeros_like(y))
    sheet.lay(rgb("#1b0620"), tail_mask * (1 - near_fold) * 0.75)
    sheet.lay(rgb("#2e0a22"), fold_mask)
    sheet.lay(rgb("#05041a"), canvas.blur(canvas.shifted(mask, 0, 12), 14) * tail_mask * 0.6)
    sheet.lay(_cloth(canvas, mask, plum, rng), mask)
    # One soft highlight runs along the cloth where it bows towards the lanterns.
    sheen = np.exp(-(((y - sag(1200.0) - top - 70) / 60) ** 2)) * np.exp(-(((x - 1000) / 700) ** 2))
    sheet.lay(rgb("#f08a86"), mask * sheen * 0.34)
    gold = ramp(
        x + np.zeros_like(y),
        [
            (left, rgb("#a9713a")), (760, rgb("#ffe2a0")), (1200, rgb("#d99f55")),
            (1640, rgb("#fff0bf")), (right, rgb("#a9713a")),
        ],
    )  # fmt: skip
    for line_y, width in ((top + 17, 5.0), (top + 29, 2.0), (foot - 17, 5.0), (foot - 29, 2.0)):
        path = np.stack([across, line_y + sag(across)], 1)
        sheet.lay(rgb("#2a0718"), canvas.stroke(width, path + np.array((0, 3))) * mask * 0.6)
        sheet.lay(gold, canvas.stroke(width, path) * mask)
    return sheet
