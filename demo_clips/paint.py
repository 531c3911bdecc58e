"""Painting by numbers: noise, gradients, cut shapes, soft light and lettering on float arrays.

Every function takes design pixels of the 2400 x 3000 picture (8 x 10 inches at 300 ppi) through a
`Canvas`, so that the same picture can be painted small for a quick look. Randomness comes in as a
generator; noise grids have a fixed number of cells, whatever the size.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

# float32; cv2's own types say no more than "some number", so neither does this one.
Array = NDArray[Any]
Colour = tuple[float, float, float]

WIDTH, HEIGHT, PPI = 2400, 3000, 300


def rgb(code: str) -> Colour:
    """A colour from "#rrggbb", encoded sRGB in [0, 1]."""
    red, green, blue = (int(code[i : i + 2], 16) / 255 for i in (1, 3, 5))
    return red, green, blue


def light(code: str) -> Colour:
    """A colour from "#rrggbb" in linear light (IEC 61966-2-1, the power part only)."""
    red, green, blue = (c**2.2 for c in rgb(code))
    return red, green, blue


@dataclass(frozen=True)
class Canvas:
    """The size that is painted: design pixels times ``scale``."""

    scale: float = 1.0

    @property
    def w(self) -> int:
        return round(WIDTH * self.scale)

    @property
    def h(self) -> int:
        return round(HEIGHT * self.scale)

    def px(self, length: float) -> float:
        """Design pixels to painted pixels."""
        return length * self.scale

    def grid(self) -> tuple[Array, Array]:
        """Design coordinates of every pixel's centre: y (H, 1) and x (1, W)."""
        y = (np.arange(self.h, dtype=np.float32)[:, None] + 0.5) / np.float32(self.scale)
        x = (np.arange(self.w, dtype=np.float32)[None, :] + 0.5) / np.float32(self.scale)
        return y, x

    def noise(
        self, rng: np.random.Generator, cells: tuple[int, int], octaves: int = 4, fade: float = 0.5
    ) -> Array:
        """Fractal noise (H, W) in [0, 1]; ``cells`` are the rows and columns of the coarsest."""
        total = np.zeros((self.h, self.w), np.float32)
        weight = 1.0
        for octave in range(octaves):
            rows, columns = cells[0] << octave, cells[1] << octave
            coarse = rng.random((rows + 3, columns + 3), np.float32)
            total += weight * cv2.resize(coarse, (self.w, self.h), interpolation=cv2.INTER_CUBIC)
            weight *= fade
        low, high = float(total.min()), float(total.max())
        return ((total - low) / max(high - low, 1e-6)).astype(np.float32)

    def shape(self, *outlines: Sequence[tuple[float, float]] | NDArray[np.floating]) -> Array:
        """Filled polygons in design pixels, (H, W) coverage with smooth edges."""
        mask = np.zeros((self.h, self.w), np.uint8)
        for outline in outlines:
            points = np.asarray(outline, np.float64) * self.scale * 16
            cv2.fillPoly(mask, [np.round(points).astype(np.int32)], 255, cv2.LINE_AA, 4)
        return mask.astype(np.float32) / np.float32(255)

    def stroke(self, width: float, *paths: NDArray[np.floating]) -> Array:
        """Lines of constant width in design pixels, (H, W) coverage."""
        mask = np.zeros((self.h, self.w), np.uint8)
        thick = max(1, round(self.px(width)))
        for path in paths:
            points = np.round(np.asarray(path, np.float64) * self.scale * 16).astype(np.int32)
            cv2.polylines(mask, [points], False, 255, thick, cv2.LINE_AA, 4)
        return mask.astype(np.float32) / np.float32(255)

    def blur(self, image: Array, sigma: float) -> Array:
        """Gaussian blur, ``sigma`` in design pixels; wide ones are done small."""
        sigma = self.px(sigma)
        if sigma < 0.3:
            return image
        step = max(1, int(sigma / 4))
        if step == 1:
            return cv2.GaussianBlur(image, (0, 0), sigma, borderType=cv2.BORDER_REPLICATE)
        size = (max(2, self.w // step), max(2, self.h // step))
        small = cv2.resize(image, size, interpolation=cv2.INTER_AREA)
        small = cv2.GaussianBlur(small, (0, 0), sigma / step, borderType=cv2.BORDER_REPLICATE)
        return cv2.resize(small, (self.w, self.h), interpolation=cv2.INTER_CUBIC)

    def shifted(self, image: Array, dx: float, dy: float) -> Array:
        """The picture moved by design pixels, its edges repeated."""
        move = np.array([[1, 0, self.px(dx)], [0, 1, self.px(dy)]], np.float32)
        return cv2.warpAffine(image, move, (self.w, self.h), borderMode=cv2.BORDER_REPLICATE)


def ramp(at: Array, stops: Sequence[tuple[float, Colour]]) -> Array:
    """Colours along ``at``: (..., 3), eased between the stops so that no stop shows as a line."""
    places = np.array([place for place, _ in stops])
    colours = np.array([colour for _, colour in stops])
    low, high = float(places[0]), float(places[-1])
    fine = np.linspace(low, high, 8192)
    index = np.clip(np.searchsorted(places, fine) - 1, 0, len(stops) - 2)
    part = np.clip((fine - places[index]) / (places[index + 1] - places[index]), 0, 1)
    part = (part * 0.6 + part * part * (3 - 2 * part) * 0.4)[:, None]
    table = (colours[index] * (1 - part) + colours[index + 1] * part).astype(np.float32)
    scaled = (at - np.float32(low)) * np.float32(8191 / (high - low))
    picked: Array = table[np.clip(scaled, 0, 8191).astype(np.int32)]
    return picked


def bounds(mask: Array) -> tuple[slice, slice] | None:
    """The rows and columns that a mask touches; None where it is empty."""
    rows = np.flatnonzero(cv2.reduce(mask, 1, cv2.REDUCE_MAX).ravel() > 0)
    columns = np.flatnonzero(cv2.reduce(mask, 0, cv2.REDUCE_MAX).ravel() > 0)
    if not len(rows) or not len(columns):
        return None
    return slice(int(rows[0]), int(rows[-1]) + 1), slice(int(columns[0]), int(columns[-1]) + 1)


def smooth(low: float, high: float, x: Array) -> Array:
    """0 below ``low``, 1 above ``high``, smooth between; the ends may be swapped."""
    t = np.clip((x - np.float32(low)) / np.float32(high - low), 0, 1)
    eased: Array = (t * t * (3 - 2 * t)).astype(np.float32)
    return eased


class Sheet:
    """A layer in the making: premultiplied colour and alpha, float32, encoded sRGB."""

    def __init__(self, canvas: Canvas) -> None:
        self.canvas = canvas
        self.colour = np.zeros((canvas.h, canvas.w, 3), np.float32)
        self.alpha = np.zeros((canvas.h, canvas.w, 1), np.float32)

    def lay(self, colour: Colour | Array, mask: Array) -> None:
        """Lay a colour, or a picture (H, W, 3), over what is there, where ``mask`` (H, W) says."""
        part = bounds(np.ascontiguousarray(mask, np.float32))
        if part is None:
            return
        paint = np.asarray(colour, np.float32)
        self.over(part, paint[part] if paint.ndim == 3 else paint, mask[part])

    def over(self, part: tuple[slice, slice], paint: Array, cover: Array) -> None:
        """`lay` for a part of the sheet: ``paint`` (h, w, 3) or (3,), ``cover`` (h, w)."""
        share = np.asarray(cover, np.float32)[..., None]
        keep = 1 - share
        self.colour[part] *= keep
        self.colour[part] += paint * share
        self.alpha[part] *= keep
        self.alpha[part] += share

    def pixels(self, rng: np.random.Generator) -> NDArray[np.uint8]:
        """Straight RGBA, 8 bit; a dither of one step keeps soft gradients from banding."""
        out = np.zeros((self.canvas.h, self.canvas.w, 4), np.uint8)
        part = bounds(self.alpha[..., 0])
        if part is None:
            return out
        alpha = self.alpha[part]
        codes = np.empty((*alpha.shape[:2], 4), np.float32)
        np.divide(self.colour[part], np.maximum(alpha, 1e-4), out=codes[..., :3])
        codes[..., 3:] = alpha
        codes *= 255
        dither: Array = np.asarray(rng.random(codes.shape, np.float32))
        # Nothing and everything stay exact, or a clear sheet would be dusty.
        dither[..., 3][(alpha[..., 0] <= 1e-4) | (alpha[..., 0] >= 0.9999)] = 0.5
        codes += dither
        np.clip(codes, 0, 255, out=codes)
        done = codes.astype(np.uint8)
        done[done[..., 3] == 0] = 0
        out[part] = done
        return out


def lettering(
    canvas: Canvas,
    text: str,
    font: Path,
    size: float,
    at: tuple[float, float],
    *,
    track: float = 0.0,
    kerns: Mapping[str, float] | None = None,
) -> Array:
    """Centred display lettering, (H, W) coverage.

    Letters are set one by one on the font's own advances plus tracking plus pairs kerned by eye,
    because not every machine's text layout reads the font's kerning table.

    Args:
        canvas: the size painted.
        text: one line.
        font: a font file.
        size: em in design pixels.
        at: centre and baseline, design pixels.
        track: added after every letter, in em.
        kerns: pairs such as "To" to a change in em.
    """
    # Set four times as large, then reduced: letters land on quarter pixels.
    fine = 4
    em = canvas.px(size) * fine
    face = ImageFont.truetype(str(font), em, layout_engine=ImageFont.Layout.BASIC)
    places, pen = [], 0.0
    for here, after in zip(text, text[1:] + " ", strict=True):
        places.append(pen)
        pen += face.getlength(here) + em * (track + (kerns or {}).get(here + after, 0.0))
    pen -= em * track
    pad = round(em * 0.4)
    tile = Image.new("L", (round(pen) + 2 * pad, round(em * 2)), 0)
    draw = ImageDraw.Draw(tile)
    baseline = round(em * 1.4)
    for letter, x in zip(text, places, strict=True):
        draw.text((pad + x, baseline), letter, fill=255, font=face, anchor="ls")
    glyphs = np.asarray(tile, np.float32) / np.float32(255)
    move = np.array(
        [
            [1 / fine, 0, canvas.px(at[0]) - (pen / 2 + pad) / fine],
            [0, 1 / fine, canvas.px(at[1]) - baseline / fine],
        ],
        np.float32,
    )
    soft = cv2.GaussianBlur(glyphs, (0, 0), fine * 0.35)
    return cv2.warpAffine(soft, move, (canvas.w, canvas.h), flags=cv2.INTER_LINEAR)
