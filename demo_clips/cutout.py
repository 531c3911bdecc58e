"""Cut paper: sheets with fibre, a lit edge, and the shadow that they throw on what lies below."""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from demo_clips.paint import Array, Canvas, Colour, Sheet, bounds

Outline = NDArray[np.float64]


class Paper:
    """The fibre of one sort of paper, and the scissors that cut it."""

    def __init__(self, canvas: Canvas, rng: np.random.Generator) -> None:
        self.canvas = canvas
        raw = rng.standard_normal((canvas.h, canvas.w), np.float32)
        fine = canvas.blur(raw, 2.2)
        mottled = canvas.noise(rng, (60, 48), 3, 0.6) - 0.5
        fine = fine / max(float(fine.std()), 1e-6)
        relief = fine - np.roll(fine, (1, 1), (0, 1))
        self.fibre = (fine * 0.010 + relief * 0.012 + mottled * 0.05).astype(np.float32)

    def cut(
        self, sheet: Sheet, mask: Array, colour: Colour | Array, lift: float, dark: float = 0.42
    ) -> None:
        """Lay a cut shape on a sheet.

        Args:
            sheet: what is built.
            mask: (H, W) coverage of the shape.
            colour: encoded sRGB, one or a picture.
            lift: height over what lies below, design pixels; the light comes from upper left.
            dark: strength of the shadow.
        """
        canvas = self.canvas
        touched = bounds(mask)
        if touched is None:
            return
        room = int(canvas.px(lift * 4)) + 4
        part = (
            slice(max(touched[0].start - room, 0), min(touched[0].stop + room, canvas.h)),
            slice(max(touched[1].start - room, 0), min(touched[1].stop + room, canvas.w)),
        )
        cover = np.ascontiguousarray(mask[part])
        wide = _moved(cover, canvas.px(lift * 0.45), canvas.px(lift * 0.9), canvas.px(lift * 0.8))
        close = _moved(cover, canvas.px(lift * 0.1), canvas.px(lift * 0.2), canvas.px(lift * 0.2))
        ink = np.array((0.20, 0.11, 0.05), np.float32)
        for shadow in (wide * np.float32(dark), close * np.float32(dark * 0.8)):
            sheet.over(part, ink, shadow)
        paint = np.asarray(colour, np.float32)
        paint = paint[part] if paint.ndim == 3 else paint[None, None]
        face = paint * (1 + self.fibre[part][..., None] * 1.5)
        inner = _moved(cover, canvas.px(2.2), canvas.px(3.0), 0)
        lit = np.clip(cover - inner, 0, 1)[..., None] * np.float32(0.38)
        outer = _moved(cover, -canvas.px(1.6), -canvas.px(2.4), 0)
        dim = np.clip(cover - outer, 0, 1)[..., None] * np.float32(0.16)
        face = face + (1 - face) * lit
        sheet.over(part, np.clip(face * (1 - dim), 0, 1), cover)


def _moved(cover: Array, dx: float, dy: float, sigma: float) -> Array:
    size = (cover.shape[1], cover.shape[0])
    out = cv2.warpAffine(
        cover, np.array([[1, 0, dx], [0, 1, dy]], np.float32), size, borderMode=cv2.BORDER_REPLICATE
    )
    if sigma <= 0.3:
        return out
    step = max(1, int(sigma / 4))
    small = cv2.resize(
        out, (max(2, size[0] // step), max(2, size[1] // step)), interpolation=cv2.INTER_AREA
    )
    small = cv2.GaussianBlur(small, (0, 0), sigma / step, borderType=cv2.BORDER_REPLICATE)
    return cv2.resize(small, size, interpolation=cv2.INTER_LINEAR)


def ellipse(at: tuple[float, float], rx: float, ry: float, turn: float = 0.0) -> Outline:
    """An ellipse, ``turn`` in radians clockwise."""
    a = np.linspace(0, 2 * np.pi, 48, endpoint=False)
    return turned(np.stack([rx * np.cos(a), ry * np.sin(a)], 1), at, turn)


def turned(points: Outline, at: tuple[float, float], turn: float) -> Outline:
    """Points turned about the origin, then moved to ``at``."""
    c, s = np.cos(turn), np.sin(turn)
    moved: Outline = points @ np.array([[c, s], [-s, c]]) + np.array(at)
    return moved


def leaf(at: tuple[float, float], length: float, width: float, turn: float) -> Outline:
    """An almond leaf from its stalk at ``at``; ``turn`` 0 points right."""
    t = np.linspace(0, 1, 24)
    half = width * np.sin(np.pi * t**0.85) * (1 - 0.25 * t)
    bow = 0.10 * length * np.sin(np.pi * t)
    upper = np.stack([t * length, -half + bow], 1)
    lower = np.stack([t * length, half * 0.9 + bow], 1)
    return turned(np.concatenate([upper, lower[::-1]]), at, turn)


def rib(at: tuple[float, float], length: float, turn: float) -> Outline:
    """The middle rib of `leaf`, a line."""
    t = np.linspace(0.0, 0.9, 16)
    return turned(np.stack([t * length, 0.10 * length * np.sin(np.pi * t)], 1), at, turn)


def band(line: Sequence[float] | Outline, foot: float = 3040.0) -> Outline:
    """The area under a line of heights that runs from x = -20 to x = 2420."""
    heights = np.asarray(line, np.float64)
    x = np.linspace(-20, 2420, len(heights))
    return np.concatenate([np.stack([x, heights], 1), [[2420, foot], [-20, foot]]])
