"""The daylight template, back to front: sky, sun, hills and village of cut paper, the title."""

from __future__ import annotations

import numpy as np

from demo_clips.cutout import Outline, Paper, band, ellipse
from demo_clips.paint import Array, Canvas, Sheet, lettering, ramp, rgb, smooth
from demo_clips.scenario import FONTS

SUN = (1200.0, 1010.0)


def sky(canvas: Canvas, paper: Paper) -> Sheet:
    """The opaque ground: warm sky paper, a sun of stacked discs, clouds."""
    sheet = Sheet(canvas)
    y, x = canvas.grid()
    tone = ramp(
        y + 0.05 * x,
        [
            (0, rgb("#8fbcbb")),
            (620, rgb("#c3d3b9")),
            (1150, rgb("#f3e2b4")),
            (1750, rgb("#fbd79b")),
        ],
    )
    whole = np.ones((canvas.h, canvas.w), np.float32)
    sheet.lay(np.clip(tone * (1 + paper.fibre[..., None]), 0, 1), whole)
    rays: list[Outline] = []
    for k in range(28):
        a, wide = 2 * np.pi * (k + 0.5) / 28, np.pi / 28 * 0.52
        rays.append(
            np.array(
                [
                    (SUN[0] + r * np.cos(a + d), SUN[1] + r * np.sin(a + d))
                    for r, d in ((700, -wide), (2400, -wide), (2400, wide), (700, wide))
                ]
            )
        )
    fade = smooth(2100, 600, np.hypot(x - SUN[0], y - SUN[1]))
    sheet.lay(rgb("#fff4d0"), canvas.shape(*rays) * fade * 0.34)
    for radius, code, lift in (
        (960, "#f9e6b8", 10), (790, "#fadd9c", 14), (630, "#fbcf7c", 16), (480, "#fbbd5c", 20),
    ):  # fmt: skip
        turn = np.linspace(0, 2 * np.pi, 360, endpoint=False)
        deckle = 1 + 0.006 * np.sin(turn * 9 + radius) + 0.004 * np.sin(turn * 23)
        ring = np.stack([np.cos(turn), np.sin(turn)], 1) * (radius * deckle)[:, None]
        disc = ring + np.array(SUN)
        paper.cut(sheet, canvas.shape(disc), rgb(code), lift, 0.16)
    for puffs, code in (
        (((130, 640, 150), (300, 590, 190), (480, 660, 130), (-20, 690, 120)), "#fdf6e3"),
        (((2120, 830, 130), (2290, 770, 190), (2440, 840, 160)), "#fdf6e3"),
        (((1980, 470, 80), (2080, 430, 120), (2200, 480, 90)), "#f6ecd0"),
        (((330, 1090, 80), (430, 1050, 110), (540, 1096, 76)), "#fff8e8"),
    ):
        base = max(p[1] + p[2] * 0.45 for p in puffs)
        mask = canvas.shape(*(ellipse((px, py), r, r * 0.82) for px, py, r in puffs))
        paper.cut(sheet, mask * smooth(base + 4, base - 4, y), rgb(code), 18, 0.26)
    birds = []
    for bx, by, span in ((610, 860, 46), (700, 800, 34), (520, 780, 30), (1830, 1120, 38)):
        t = np.linspace(-1, 1, 21)
        wing = by - span * 0.55 * np.abs(np.sin(np.pi * t)) * (1 - 0.3 * np.abs(t))
        upper = np.stack([bx + span * t, wing], 1)
        lower = np.stack([bx + span * t, wing + span * 0.16 * (1 - t * t) + 1], 1)
        birds.append(np.concatenate([upper, lower[::-1]]))
    paper.cut(sheet, canvas.shape(*birds), rgb("#6d5440"), 8, 0.3)
    return sheet


def title(canvas: Canvas, paper: Paper) -> Sheet:
    """The event's name, cut from terracotta paper, behind the subject."""
    sheet = Sheet(canvas)
    words = lettering(
        canvas, "Harvest Days", FONTS / "Vollkorn-Black.ttf", 262, (1200, 402),
        track=-0.006, kerns={"rv": -0.01, "t ": 0.02, " D": 0.02, "ay": -0.012, "Ha": -0.005},
    )  # fmt: skip
    paper.cut(sheet, words, rgb("#b1401f"), 13, 0.5)
    place = lettering(
        canvas, "at Tarnelow Lake", FONTS / "Vollkorn-SemiBoldItalic.ttf", 84, (1200, 176),
        track=0.012, kerns={"Ta": -0.08, "w ": -0.03},
    )  # fmt: skip
    sheet.lay(rgb("#5b3a22"), place)
    return sheet


def _line(rng: np.random.Generator, base: float, waves: tuple[tuple[float, float], ...]) -> Array:
    x = np.linspace(-20, 2420, 400)
    line = np.full_like(x, base)
    for length, height in waves:
        line += height * np.sin(2 * np.pi * (x / length + rng.random()))
    return line.astype(np.float32)


def _furrows(canvas: Canvas, at: tuple[float, float], count: float) -> Array:
    """Rows of a field that run towards a point beyond the hill."""
    y, x = canvas.grid()
    turn = (x - at[0]) / np.maximum(y - at[1], 40)
    return (0.5 + 0.5 * np.sin(turn * count)).astype(np.float32)


def _trees(
    rng: np.random.Generator, line: Array, count: int, size: float, keep_out: float
) -> tuple[list[Outline], list[Outline]]:
    crowns, trunks = [], []
    for _ in range(count):
        side = -1 if rng.random() < 0.5 else 1
        x = 1200 + side * rng.uniform(keep_out, 1180)
        foot = float(line[int(np.clip((x + 20) / 2440 * 399, 0, 399))]) + 12
        tall = size * rng.uniform(0.75, 1.25)
        if rng.random() < 0.4:  # a poplar
            crowns.append(ellipse((x, foot - tall * 1.15), tall * 0.26, tall * 1.05))
        else:
            crowns.append(ellipse((x, foot - tall * 0.85), tall * 0.56, tall * 0.6))
            crowns.append(ellipse((x + tall * 0.3, foot - tall * 0.68), tall * 0.36, tall * 0.38))
        w = tall * 0.06
        trunks.append(
            np.array(
                [
                    (x - w, foot - tall * 0.6),
                    (x + w, foot - tall * 0.6),
                    (x + w * 1.4, foot),
                    (x - w * 1.4, foot),
                ]
            )
        )
    return crowns, trunks


def _village(canvas: Canvas, paper: Paper, sheet: Sheet) -> None:
    walls, roofs, shades, panes = [], [], [], []
    for x, foot, w, h in (
        (330, 1700, 130, 95), (470, 1716, 100, 80), (560, 1690, 84, 120), (200, 1722, 110, 84),
        (1790, 1704, 120, 90), (1930, 1690, 140, 105), (2090, 1712, 104, 84),
    ):  # fmt: skip
        top, peak = foot - h, foot - h - w * 0.48
        walls.append(np.array([(x, foot), (x, top), (x + w, top), (x + w, foot)]))
        shades.append(
            np.array([(x + w * 0.58, foot), (x + w * 0.58, top), (x + w, top), (x + w, foot)])
        )
        roofs.append(
            np.array(
                [
                    (x - 12, top + 6),
                    (x + w * 0.22, peak),
                    (x + w * 0.86, peak),
                    (x + w + 12, top + 6),
                ]
            )
        )
        for k in range(2):
            px, py = x + w * (0.14 + 0.22 * k), top + h * 0.34
            panes.append(np.array([(px, py), (px + 15, py), (px + 15, py + 24), (px, py + 24)]))
    walls.append(np.array([(648, 1700), (648, 1470), (704, 1470), (704, 1700)]))
    shades.append(np.array([(680, 1700), (680, 1470), (704, 1470), (704, 1700)]))
    roofs.append(np.array([(638, 1474), (676, 1340), (714, 1474)]))
    panes.append(np.array([(668, 1505), (684, 1505), (684, 1540), (668, 1540)]))
    paper.cut(sheet, canvas.shape(*walls), rgb("#faf0d8"), 9, 0.4)
    sheet.lay(rgb("#b98d63"), canvas.shape(*shades) * 0.32)
    sheet.lay(rgb("#7a5a45"), canvas.shape(*panes) * 0.85)
    paper.cut(sheet, canvas.shape(*roofs), rgb("#b9512e"), 7, 0.45)


def hills(canvas: Canvas, paper: Paper, rng: np.random.Generator) -> Sheet:
    """Six hills, each a sheet of its own, with fields, trees and the village between them."""
    sheet = Sheet(canvas)
    y, _ = canvas.grid()
    plan = (
        (1400, ((1500, 70), (620, 22)), "#c2cdb4", "#d6dbc0", 26, 0.22),
        (1560, ((1900, 90), (700, 26)), "#a4b98e", "#bccb9e", 30, 0.28),
        (1690, ((1700, 60), (800, 24)), "#e0bd6a", "#eed08a", 34, 0.34),
        (1880, ((2300, 80), (900, 26)), "#8fa45f", "#a9b876", 36, 0.36),
        (2090, ((2000, 84), (760, 22)), "#d59a48", "#e6b565", 40, 0.38),
        (2330, ((2600, 70), (1000, 26)), "#6f8b4b", "#88a05c", 44, 0.40),
    )
    for index, (base, waves, code, crest, lift, dark) in enumerate(plan):
        line = _line(rng, base, waves)
        mask = canvas.shape(band(line))
        down = smooth(base - 60, base + 330, y)[..., None]
        face = (
            np.array(rgb(crest), np.float32) * (1 - down) + np.array(rgb(code), np.float32) * down
        )
        face = np.broadcast_to(face, (canvas.h, canvas.w, 3)).copy()
        if index in (2, 4):
            rows = _furrows(canvas, (700 + 500 * index, base - 420), 62 if index == 2 else 48)
            face *= (1 - 0.13 * smooth(0.35, 0.75, rows))[..., None]
        if index == 3:
            rows = _furrows(canvas, (400, base - 600), 70)
            face *= (1 - 0.06 * smooth(0.3, 0.8, rows))[..., None]
        if index in (1, 3, 4):
            crowns, trunks = _trees(
                rng,
                line,
                (0, 15, 0, 15, 7)[index],
                (0, 70, 0, 125, 190)[index],
                250 if index < 4 else 780,
            )
            paper.cut(sheet, canvas.shape(*trunks), rgb("#7b5a3c"), 5, 0.3)
            tones = ("#7d9a68", "#8fa873") if index == 1 else ("#5d7c48", "#7b9150")
            paper.cut(sheet, canvas.shape(*crowns[::2]), rgb(tones[0]), 10, 0.36)
            paper.cut(sheet, canvas.shape(*crowns[1::2]), rgb(tones[1]), 10, 0.36)
        if index == 2:
            _village(canvas, paper, sheet)
        paper.cut(sheet, mask, face, lift, dark)
    return sheet
