"""Endless shots of subjects before screens, as cameras would have taken them."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from models.training import subjects
from models.training.subjects import Picture, Random, Size, Subject, decode, encode, noise

Codes = NDArray[np.uint8]


@dataclass(frozen=True)
class Sample:
    """One shot.

    Attributes:
        shot: (H, W, 3) sRGB codes.
        plate: the clean plate likewise, or None.
        alpha: (H, W) true coverage.
    """

    shot: Codes
    plate: Codes | None
    alpha: NDArray[np.float16]


SIZES: dict[Size, float] = {
    (960, 720): 0.5,
    (720, 960): 0.16,
    (480, 360): 0.12,
    (240, 180): 0.12,
    (120, 160): 0.1,
}
"""(H, W) of the shots, and how often each comes: a subject may be small or the frame."""


def screen(size: Size, r: Random, usual: bool) -> Picture:
    """A green screen's light, (H, W, 3) linear: usual paint and level, or anything like a screen.

    The usual colour is that of a diffuse green paint of reflectance (.03, .40, .07) under white
    light; lamps fall off, leave hot spots and show folds.
    """
    if usual:
        key = 0.38 * 2 ** np.clip(0.4 * r.normal(), -1, 1)
        others = 0.088 * 2 ** (0.35 * r.normal()), 0.177 * 2 ** (0.35 * r.normal())
    else:
        key = 2 ** r.uniform(-3, -0.6)
        others = 2 ** r.uniform(-4.3, -1.2), 2 ** r.uniform(-4, -1.2)
    color = np.array([key * others[0], key, key * others[1]], np.float32)
    height, width = size
    y, x = np.mgrid[0:height, 0:width].astype(np.float32)
    y, x = y / height - 0.5, x / width - 0.5
    stops = np.zeros(size, np.float32)
    if r.random() < 0.7:
        angle = r.uniform(0, 2 * np.pi)
        stops += r.uniform(0, 0.8) * (x * np.cos(angle) + y * np.sin(angle))
    if r.random() < 0.5:
        stops += r.uniform(0, 0.3) * noise(r, size, 4)
    if r.random() < 0.3:
        away = (x - r.random() + 0.5) ** 2 + (y - r.random() + 0.5) ** 2
        stops += r.uniform(0.2, 0.8) * np.exp(-away / r.uniform(0.02, 0.1))
    if r.random() < 0.4:
        stops += r.uniform(0, 0.06) * noise(r, size, int(r.integers(10, 40)))
    out = color * 2 ** stops[..., None]
    if r.random() < (0.1 if usual else 0.3):
        tint = noise(r, size, 3)[..., None] * np.array([1, 0, 0.6], np.float32)
        out = out * (1 + r.uniform(0, 0.1) * tint)
    lit: Picture = np.maximum(out, 1e-4).astype(np.float32)
    return lit


def _line(length: int, angle: float) -> Picture:
    kernel = np.zeros((length, length), np.float32)
    middle, reach = (length - 1) / 2, (length - 1) / 2 * np.array([np.cos(angle), np.sin(angle)])
    first, last = (np.round(middle + s * reach).astype(int).tolist() for s in (-1, 1))
    cv2.line(kernel, first, last, 1, 1)
    out: Picture = kernel / kernel.sum()
    return out


def _blurred(s: Subject, r: Random) -> Subject:
    """Motion blur of the whole or a part, or a lens out of focus, by chance."""
    kind = r.random()
    if kind >= 0.2:
        return s
    x = s.premultiplied()
    parts = (x[..., :4], x[..., 4:])
    if kind < 0.1:
        longest = max(6, max(s.alpha.shape) // 16)
        kernel = _line(int(r.integers(5, longest)), r.uniform(0, np.pi))
        soft = np.concatenate([cv2.filter2D(p, -1, kernel) for p in parts], 2)
        if r.random() < 0.6:
            share = np.clip(noise(r, (x.shape[0], x.shape[1]), 3) * 3 + 0.5, 0, 1)[..., None]
            soft = share * soft + (1 - share) * x
    else:
        sigma = r.uniform(0.4, 2.5)
        soft = np.concatenate([cv2.GaussianBlur(p, (0, 0), sigma) for p in parts], 2)
    return subjects.from_premultiplied(soft)


def _shadow(alpha: Picture, r: Random) -> Picture:
    height, width = alpha.shape
    across, down = r.uniform(-0.08, 0.08, 2) * max(alpha.shape)
    moved = cv2.warpAffine(
        alpha, np.array([[1, 0, across], [0, 1, abs(down)]], np.float32), (width, height)
    )
    soft = cv2.GaussianBlur(moved, (0, 0), r.uniform(0.004, 0.04) * height)
    out: Picture = 1 - r.uniform(0.05, 0.6) * soft
    return out[..., None]


def subsampled(x: Codes) -> Codes:
    """Through 8-bit narrow-range Y'CbCr 4:2:0 and back (ITU-R BT.709-6)."""
    rgb = x.astype(np.float32)
    height, width = rgb.shape[:2]
    luma = rgb @ np.array([0.2126, 0.7152, 0.0722], np.float32)
    chroma = [(rgb[..., 2] - luma) / 1.8556, (rgb[..., 0] - luma) / 1.5748]

    def codes(v: NDArray[Any], scale: float, offset: int) -> NDArray[Any]:
        return np.clip(np.round(v * (scale / 255) + offset), 0, 255)

    coded = (codes(luma, 219, 16) - 16) * (255 / 219)
    half = [
        cv2.resize(c, ((width + 1) // 2, (height + 1) // 2), interpolation=cv2.INTER_AREA)
        for c in chroma
    ]
    blue, red = (
        cv2.resize((codes(c, 224, 128) - 128) * (255 / 224), (width, height)) for c in half
    )
    r, b = coded + 1.5748 * red, coded + 1.8556 * blue
    g = (coded - 0.2126 * r - 0.0722 * b) / 0.7152
    return np.clip(np.round(np.stack([r, g, b], 2)), 0, 255).astype(np.uint8)


def _jpeg(x: Codes, options: list[int]) -> Codes:
    bgr = cv2.imdecode(cv2.imencode(".jpg", x[..., ::-1], options)[1], cv2.IMREAD_COLOR)
    assert bgr is not None
    return np.ascontiguousarray(bgr[..., ::-1]).astype(np.uint8)


def _camera(pictures: list[Picture], r: Random) -> list[Codes]:
    """One camera's noise, processing and coding on every picture of a scene."""
    if r.random() < 0.4:
        full, read = 10 ** r.uniform(2.8, 4.2), r.uniform(2, 8)  # electrons
        pictures = [
            ((r.poisson(np.clip(p, 0, 4) * full) + r.normal(0, read, p.shape)) / full).astype(
                np.float32
            )
            for p in pictures
        ]
    if r.random() < 0.2:
        balance, bend = r.uniform(0.9, 1.1, 3).astype(np.float32), r.uniform(-0.1, 0.15)
        shaped = [encode(p * balance) / 255 for p in pictures]
        pictures = [decode(255 * (z + bend * (z - 0.5) * 4 * z * (1 - z))) for z in shaped]
    coded = [encode(p) for p in pictures]
    if r.random() < 0.3:
        amount, sigma = r.uniform(0.2, 0.9), r.uniform(0.6, 1.5)
        coded = [c + amount * (c - cv2.GaussianBlur(c, (0, 0), sigma)) for c in coded]
    out = [np.clip(np.round(c), 0, 255).astype(np.uint8) for c in coded]
    kind = r.random()
    if kind < 0.4:
        return [subsampled(c) for c in out]
    if kind < 0.7:
        options = [cv2.IMWRITE_JPEG_QUALITY, int(r.integers(60, 96))]
        if r.random() < 0.2:
            options += [cv2.IMWRITE_JPEG_SAMPLING_FACTOR, cv2.IMWRITE_JPEG_SAMPLING_FACTOR_444]
        return [_jpeg(c, options) for c in out]
    return out


def _handled(plate: Codes, r: Random) -> Codes | None:
    """The plate as people bring it: none, moved a little, of another level."""
    if r.random() < 0.5:
        return None
    height, width = plate.shape[:2]
    if r.random() < 0.3:
        shift = np.array([[1, 0, 3 * r.normal()], [0, 1, 3 * r.normal()]], np.float32)
        edge = cv2.BORDER_REFLECT
        plate = cv2.warpAffine(plate, shift, (width, height), borderMode=edge).astype(np.uint8)
    if r.random() < 0.3:
        gain = r.uniform(0.9, 1.1) * r.uniform(0.97, 1.03, 3)
        plate = np.clip(plate * gain, 0, 255).astype(np.uint8)
    return plate


@lru_cache(maxsize=8)
def _subject(folder: Path, name: str) -> Subject:
    return subjects.load(folder, name)


def sample(folder: Path, name: str, seed: int) -> Sample:
    """One shot, the same for the same arguments.

    Args:
        folder: where the rendered subjects lie.
        name: the subject; now and then a drawn one takes its place.
        seed: of everything else.
    """
    r = np.random.default_rng(seed)
    usual = r.random() < 0.6
    size = list(SIZES)[int(r.choice(len(SIZES), p=list(SIZES.values())))]
    back = screen(size, r, usual)
    blue = r.random() < (0.1 if usual else 0.35)
    swap = [0, 2, 1]
    if r.random() < 0.15:
        s = subjects.drawn(size, r)
        light = r.uniform(0, 0.35) * (r.random() < 0.75) * 0.9
        thin = 1 + r.random() * (1 - s.alpha[..., None])
        s = replace(s, lit=(s.neutral + light * thin * back).astype(np.float32))
        if blue:
            s = replace(s, lit=s.lit[..., swap], neutral=s.neutral[..., swap])
    else:
        s = subjects.moved(_subject(folder, name), size, r)
        if r.random() < 0.2:
            s = subjects.mirroring(s, back, r)
        if usual:
            amount = float(np.clip(1 + 0.2 * r.normal(), 0.5, 1.6))
            gain = 2 ** (0.25 * r.normal()) * (1 + 0.02 * r.normal(size=3))
        else:
            amount = 0.0 if r.random() < 0.1 else r.uniform(0.3, 1.5)
            gain = 2 ** r.uniform(-0.8, 0.5) * (1 + 0.05 * r.normal(size=3))
        spill = amount * (s.lit - s.neutral)
        lit = np.maximum(s.neutral + (spill[..., swap] if blue else spill), 0)
        g = gain.astype(np.float32)
        s = replace(s, lit=lit * g, neutral=s.neutral * g)
    if blue:
        back = np.ascontiguousarray(back[..., swap])
    s = _blurred(s, r)
    behind = back * _shadow(s.alpha, r) if r.random() < 0.5 else back
    a = s.alpha[..., None]
    shot, plate = _camera([a * s.lit + (1 - a) * behind, back], r)
    return Sample(shot, _handled(plate, r), s.alpha.astype(np.float16))
