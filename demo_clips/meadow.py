"""The daylight template's front: apple branches, wheat and poppies, the label, light, grain."""

from __future__ import annotations

import numpy as np

from demo_clips.cutout import Outline, Paper, band, ellipse, leaf, rib, turned
from demo_clips.paint import Canvas, Sheet, ramp, rgb, smooth


def branch(canvas: Canvas, paper: Paper, rng: np.random.Generator) -> Sheet:
    """Apple branches that hang in from both upper corners, their shadow part of the layer."""
    sheet = Sheet(canvas)
    for side in (-1, 1):
        reach = 540 if side < 0 else 430

        def on(t: float, side: int = side, reach: float = reach) -> tuple[float, float]:
            x = -60 + reach * t if side < 0 else 2460 - reach * t
            return x, 470 - 330 * t + 520 * t * t - (0 if side < 0 else 60)

        path = np.array([on(t) for t in np.linspace(0, 1, 30)])
        thick = np.linspace(26, 7, 30)
        wood = np.concatenate(
            [
                path + np.stack([0 * thick, -thick / 2], 1),
                (path + np.stack([0 * thick, thick / 2], 1))[::-1],
            ]
        )
        back: list[Outline] = []
        front: list[Outline] = []
        ribs: list[Outline] = []
        for k in range(30):
            t = 0.02 + 0.98 * (k + rng.random() * 0.6) / 30
            turn = rng.normal(np.pi / 2, 1.0) + (0.5 if side < 0 else -0.5) * (t - 0.5)
            long = rng.uniform(120, 178)
            outline = leaf(on(t), long, long * 0.23, turn)
            (back if k % 2 else front).append(outline)
            if k % 2 == 0:
                ribs.append(rib(on(t), long, turn))
        paper.cut(sheet, canvas.shape(*back[::2]), rgb("#577a45"), 26, 0.34)
        paper.cut(sheet, canvas.shape(*back[1::2]), rgb("#46683c"), 22, 0.34)
        paper.cut(sheet, canvas.shape(wood), rgb("#6e4a30"), 18, 0.34)
        for t, size in ((0.30, 92), (0.62, 84), (0.9, 74)):
            x, y = on(t)
            _apple(canvas, paper, sheet, (x + 20 * side, y + size * 1.35), float(size))
        paper.cut(sheet, canvas.shape(*front[::2]), rgb("#7f9f55"), 24, 0.36)
        paper.cut(sheet, canvas.shape(*front[1::2]), rgb("#95ad62"), 24, 0.36)
        veins = canvas.stroke(3, *ribs)
        sheet.lay(rgb("#e4e8b4"), veins * 0.5)
    return sheet


def _apple(
    canvas: Canvas, paper: Paper, sheet: Sheet, at: tuple[float, float], size: float
) -> None:
    a = np.linspace(0, 2 * np.pi, 90, endpoint=False)
    dent = (
        1
        - 0.15 * np.exp(-(((a - 1.5 * np.pi) / 0.34) ** 2))
        - 0.05 * np.exp(-(((a - 0.5 * np.pi) / 0.3) ** 2))
    )
    body = np.stack([at[0] + size * dent * np.cos(a), at[1] + size * 0.95 * dent * np.sin(a)], 1)
    y, x = canvas.grid()
    turn = ((x - at[0]) * 0.6 + (y - at[1]) * 0.8) / size
    face = ramp(turn, [(-1.0, rgb("#e8684a")), (-0.1, rgb("#cf3f2b")), (1.0, rgb("#93241f"))])
    stalk = np.array(
        [
            (at[0] - 4, at[1] - size * 0.76),
            (at[0] + 2, at[1] - size * 1.2),
            (at[0] + 14, at[1] - size * 1.42),
        ]
    )
    paper.cut(sheet, canvas.shape(body), face, 26, 0.4)
    sheet.lay(rgb("#53351f"), canvas.stroke(9, stalk))
    shine = ellipse((at[0] - size * 0.42, at[1] - size * 0.36), size * 0.14, size * 0.27, 0.6)
    sheet.lay(rgb("#ffd9b8"), canvas.shape(shine) * 0.65)


def _wheat(foot: tuple[float, float], tall: float, lean: float) -> tuple[Outline, list[Outline]]:
    t = np.linspace(0, 1, 20)
    stem = np.stack([foot[0] + lean * tall * t**2, foot[1] - tall * t], 1)
    grains = []
    for k in range(9):
        s = 1.0 - 0.052 * k
        i = s * 19
        x = float(np.interp(i, np.arange(20), stem[:, 0]))
        y = float(np.interp(i, np.arange(20), stem[:, 1]))
        tilt = np.arctan2(1, 2 * lean * s) - np.pi / 2
        for side in (-1, 1):
            shift = turned(np.array([[side * 13.0, 0.0]]), (x, y), -tilt)[0]
            grains.append(ellipse((shift[0], shift[1]), 10.5, 24, -tilt + side * 0.42))
    grains.append(ellipse((stem[-1, 0] + lean * 22, stem[-1, 1] - 26), 9, 26, lean * 1.6))
    return stem, grains


def _poppy(
    canvas: Canvas, paper: Paper, sheet: Sheet, at: tuple[float, float], size: float, turn: float
) -> None:
    for k, code in enumerate(("#b8321f", "#cf4226", "#dd5230", "#c63a22")):
        a = turn + k * np.pi / 2
        t = np.linspace(0, 2 * np.pi, 60, endpoint=False)
        wave = 1 + 0.05 * np.sin(5 * t + k) + 0.03 * np.sin(11 * t)
        petal = np.stack([size * 0.62 * wave * np.cos(t), size * 0.54 * wave * np.sin(t)], 1)
        centre = (at[0] + size * 0.46 * np.cos(a), at[1] + size * 0.40 * np.sin(a))
        paper.cut(sheet, canvas.shape(turned(petal, centre, a)), rgb(code), 9, 0.42)
    paper.cut(sheet, canvas.shape(ellipse(at, size * 0.20, size * 0.18)), rgb("#2e2420"), 6, 0.4)
    dots = [
        ellipse(
            (at[0] + size * 0.29 * np.cos(b), at[1] + size * 0.26 * np.sin(b)),
            size * 0.03,
            size * 0.03,
        )
        for b in np.linspace(0, 2 * np.pi, 14, endpoint=False)
    ]
    sheet.lay(rgb("#2e2420"), canvas.shape(*dots))


def meadow(canvas: Canvas, paper: Paper, rng: np.random.Generator) -> Sheet:
    """Wheat and poppies, high at the sides and low in the middle, on two banks of grass."""
    sheet = Sheet(canvas)
    x = np.linspace(-20, 2420, 300)
    for layer in range(3):
        stems, grains, leaves = [], [], []
        for _ in range((44, 36, 20)[layer]):
            side = -1 if rng.random() < 0.5 else 1
            out = rng.beta(1.0, 2.2)
            fx = 1200 + side * (1230 - 900 * out)
            tall = (830, 690, 500)[layer] * (1 - out) ** 0.9 * rng.uniform(0.85, 1.1) + 300
            stem, heads = _wheat((fx, 3010), tall, -side * rng.uniform(-0.02, 0.2))
            stems.append(stem)
            grains += heads
            leaves.append(
                leaf(
                    (fx, 2980 - tall * 0.35),
                    tall * 0.34,
                    15,
                    -np.pi / 2 - side * rng.uniform(-0.5, 0.9),
                )
            )
        straw = ("#c7973f", "#d9ab4e", "#e8c068")[layer]
        stalks = canvas.stroke(8, *stems)
        paper.cut(
            sheet, canvas.shape(*leaves), rgb(("#8c9a4e", "#a3a757", "#b5b263")[layer]), 9, 0.3
        )
        paper.cut(sheet, stalks, rgb(straw), 7, 0.3)
        paper.cut(sheet, canvas.shape(*grains[::2]), rgb(straw), 8, 0.36)
        paper.cut(
            sheet,
            canvas.shape(*grains[1::2]),
            rgb(("#b8863a", "#cd9b42", "#dcb055")[layer]),
            7,
            0.36,
        )
        bank = (2760, 2850)
        if layer < 2:
            line = (
                bank[layer]
                - (150, 110)[layer] * ((x - 1200) / 1200) ** 2
                + 24 * np.sin(x / 190 + layer * 2)
            )
            paper.cut(sheet, canvas.shape(band(line)), rgb(("#6d8a46", "#557540")[layer]), 24, 0.38)
        spots = (
            ((150, 2480, 92, 0.2), (2270, 2410, 84, 0.9), (2060, 2640, 70, 0.1)),
            ((330, 2610, 84, 0.7), (2180, 2620, 78, 0.4), (60, 2700, 90, 0.0)),
            ((190, 2800, 96, 0.5), (2300, 2790, 104, 0.2)),
        )[layer]  # fmt: skip
        for px, py, size, turn in spots:
            stalk = np.array([(px, py), (px + 6, (py + 3000) / 2), (px - 8, 3010)])
            paper.cut(sheet, canvas.stroke(9, stalk), rgb("#5f7a3e"), 7, 0.3)
            _poppy(canvas, paper, sheet, (px, py), size, turn)
    return sheet


def label(canvas: Canvas, paper: Paper) -> Sheet:
    """A paper label on a darker card; the two text fields lie on it."""
    sheet = Sheet(canvas)

    def plate(x0: float, y0: float, x1: float, y1: float, notch: float) -> Outline:
        """A rectangle whose corners are bitten out round, clockwise from upper left."""
        t = np.linspace(0, np.pi / 2, 12)
        bite = np.stack([np.cos(t), np.sin(t)], 1) * notch
        return np.concatenate(
            [
                (np.array((x0, y0)) + bite)[::-1],
                np.array((x1, y0)) + bite * (-1, 1),
                (np.array((x1, y1)) - bite)[::-1],
                np.array((x0, y1)) + bite * (1, -1),
            ]
        )

    paper.cut(sheet, canvas.shape(plate(392, 2448, 2008, 2872, 58)), rgb("#a8411f"), 34, 0.5)
    paper.cut(sheet, canvas.shape(plate(420, 2476, 1980, 2844, 52)), rgb("#fbf1d9"), 12, 0.42)
    border = np.concatenate(
        [plate(448, 2504, 1952, 2816, 46), plate(448, 2504, 1952, 2816, 46)[:1]]
    )
    sheet.lay(rgb("#c0703c"), canvas.stroke(4, border) * 0.9)
    # Two leaves and an apple pin the label at its upper edge, clear of the type.
    leaves = [
        leaf((1200 + side * 14, 2462), 128, 26, turn) for side, turn in ((1, -0.16), (-1, 3.3))
    ]
    paper.cut(sheet, canvas.shape(*leaves), rgb("#7f9f55"), 12, 0.42)
    paper.cut(sheet, canvas.shape(ellipse((1200, 2466), 30, 28)), rgb("#c83a28"), 12, 0.45)
    return sheet


def sunlight(canvas: Canvas) -> Sheet:
    """Warm light from the upper left, opaque on black, to be blended by screen."""
    sheet = Sheet(canvas)
    y, x = canvas.grid()
    angle = np.arctan2(y + 500, x + 500)
    fan = 0.55 + 0.25 * np.sin(angle * 34) + 0.2 * np.sin(angle * 13 + 1)
    fall = np.exp(-np.hypot(x + 100, y + 100) / 1150)
    power = (fan * fall * 0.42 + 0.16 * fall)[..., None]
    sheet.lay(
        np.clip(power * np.array((1.0, 0.84, 0.52), np.float32), 0, 1),
        np.ones((canvas.h, canvas.w), np.float32),
    )
    return sheet


def grain(canvas: Canvas, paper: Paper) -> Sheet:
    """Paper grain and a warm vignette over everything, opaque, to be multiplied."""
    sheet = Sheet(canvas)
    y, x = canvas.grid()
    far = np.sqrt(((x - 1200) / 1500) ** 2 + ((y - 1400) / 1900) ** 2)
    corner = 0.26 * smooth(0.6, 1.3, far)[..., None] * np.array((0.7, 1.0, 1.35), np.float32)
    tone = 0.985 + paper.fibre[..., None] * 0.35 - corner
    sheet.lay(np.clip(tone, 0, 1).astype(np.float32), np.ones((canvas.h, canvas.w), np.float32))
    return sheet
