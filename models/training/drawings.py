"""What was never rendered, drawn: subjects of discs and strands, thin lines, sheer layers."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from models.training.subjects import (
    Codes,
    Picture,
    Random,
    Size,
    Subject,
    luminance,
    noise,
)


def any_color(r: Random) -> Picture:
    """(3,) linear: grey, about skin, or anything."""
    kind = r.random()
    if kind < 0.3:
        c = np.ones(3) * 2 ** r.uniform(-5, 0)
    elif kind < 0.5:
        c = np.array([0.6, 0.33, 0.22]) * 2 ** r.uniform(-3, 0.5)  # about skin
    else:
        c = r.random(3) ** 2
    return c.astype(np.float32)


def drawn(size: Size, r: Random) -> Subject:
    """Discs, patches and strands of any colour and coverage: what was never rendered."""
    height, width = size
    fine = 2

    def disc(mask: NDArray[np.uint8], least: float) -> None:
        h, w = mask.shape
        middle = int(r.integers(0, w)), int(r.integers(0, h))
        axes = [max(2, int(r.uniform(least, n / 2))) for n in (w, h)]
        cv2.ellipse(mask, middle, tuple(axes), float(r.uniform(0, 180)), 0, 360, 1, -1)

    def strands(mask: NDArray[np.uint8]) -> None:
        h, w = mask.shape
        root, thick = np.array([r.integers(0, w), r.integers(0, h)]), int(r.integers(1, 6))
        length, main, spread = r.uniform(0.04, 0.4) * w, r.uniform(0, 6.28), r.uniform(0.06, 1)
        for _ in range(int(r.integers(5, 120))):
            angle = main + r.normal() * spread
            at = root + r.normal(size=2) * w / 72 * r.random()
            points = [at]
            for _ in range(8):
                at = at + length / 8 * np.array([np.cos(angle), np.sin(angle)])
                angle += r.normal() * 0.15
                points.append(at)
            cv2.polylines(mask, [np.array(points, np.int32)], False, 1, thick)

    neutral = np.empty((height, width, 3), np.float32)
    neutral[:] = any_color(r)
    for _ in range(int(r.integers(1, 5))):
        patch = np.zeros((height, width), np.uint8)
        disc(patch, width / 36)
        neutral[patch > 0] = any_color(r)
    shade = r.uniform(0, 0.6) * noise(r, size, int(r.integers(3, 30)))
    neutral *= 2 ** shade[..., None]
    alpha = np.zeros((height * fine, width * fine), np.float32)
    for _ in range(int(r.integers(1, 6))):
        mask = np.zeros(alpha.shape, np.uint8)
        kind = r.random()
        if kind < 0.35:
            disc(mask, width / 72)
        elif kind < 0.55:
            corners = [
                [r.integers(0, alpha.shape[1]), r.integers(0, alpha.shape[0])]
                for _ in range(int(r.integers(3, 6)))
            ]
            cv2.fillPoly(mask, [np.array(corners, np.int32)], 1)
        else:
            strands(mask)
        share = 1.0 if r.random() < 0.6 else r.uniform(0.05, 0.95)
        layer = share * mask.astype(np.float32)
        if share < 1 and r.random() < 0.3:
            fold = noise(r, (layer.shape[0], layer.shape[1]), int(r.integers(4, 60)))
            layer *= np.clip(1 + 0.4 * fold, 0, 1 / share)
        alpha = alpha + (1 - alpha) * layer
    cover = cv2.resize(alpha, (width, height), interpolation=cv2.INTER_AREA)
    return Subject(cover.astype(np.float32), neutral.copy(), neutral)


_HAIR = np.array([[0.9, 0.88, 0.85], [0.55, 0.36, 0.16], [0.13, 0.06, 0.03], [0.012, 0.01, 0.01]])
"""Linear colours chosen by eye: white, fair, brown, black."""
_FINE = 4
"""Positions in a pixel at which a thin line may begin."""


def strands(around: Subject, screen: Picture, r: Random) -> Subject:
    """Hairs and spokes of .3 to 3 pixels across the rim of a subject.

    Args:
        around: the subject whose rim they cross; anywhere where it has none.
        screen: (H, W, 3) linear, whose light they let through.
        r: randomness.
    """
    height, width = around.alpha.shape
    solid = (around.alpha > 0.5).astype(np.uint8)
    rim = np.argwhere(cv2.morphologyEx(solid, cv2.MORPH_GRADIENT, np.ones((3, 3), np.uint8)))
    cover = np.zeros((height, width), np.float32)
    color = np.zeros((height, width, 3), np.float32)
    for _ in range(int(r.integers(1, 4))):
        root = rim[int(r.integers(len(rim)))] if len(rim) else r.random(2) * (height, width)
        lines = _bundle((height, width), root[::-1], rim[:, ::-1], r)
        if r.random() < 0.6:
            own = _HAIR[int(r.integers(4))] * 2 ** r.uniform(-0.7, 0.7)
        else:
            own = any_color(r)
        shine = 2 ** (r.uniform(0, 0.5) * noise(r, (height, width), 30))
        part = lines[..., None]
        color = color * (1 - part) + part * (own * shine[..., None])
        cover = cover + (1 - cover) * lines
    neutral = (color / np.maximum(cover, 1e-4)[..., None]).astype(np.float32)
    passed = np.float32(r.uniform(0, 0.3))
    lit, neutral = neutral + passed * screen, neutral + passed * luminance(screen)
    return Subject(cover.astype(np.float32), lit.astype(np.float32), neutral.astype(np.float32))


def _bundle(size: Size, root: NDArray[Any], rim: NDArray[Any], r: Random) -> Picture:
    """Coverage by lines from about one place, in about one direction: curves or spokes."""
    height, width = size
    canvas: Codes = np.zeros((height * _FINE, width * _FINE), np.uint8)
    curved, along = r.random() < 0.7, r.random() < 0.4
    length, main = r.uniform(0.05, 0.5) * width, r.uniform(0, 2 * np.pi)
    spread, bend = r.uniform(0.05, 0.8), r.uniform(0, 0.3) * curved
    widest = 0.3 + 2.7 * r.random() ** 2
    for _ in range(int(r.integers(3, 40))):
        angle = main + r.normal() * spread
        at = root + r.normal(size=2) * width / 60
        if along and len(rim):
            at = rim[int(r.integers(len(rim)))] + r.normal(size=2)
        at = at - length * r.uniform(0, 0.4) * np.array([np.cos(angle), np.sin(angle)])
        turn, points = r.normal() * bend, [at]
        for _ in range(10 if curved else 1):
            step = length * r.uniform(0.7, 1.1) / (10 if curved else 1)
            at = at + step * np.array([np.cos(angle), np.sin(angle)])
            angle += turn + r.normal() * 0.12
            points.append(at)
        thick = max(1, round(_FINE * r.uniform(0.3, widest)))
        where = np.round(np.array(points) * _FINE * 16).astype(np.int32)
        cv2.polylines(canvas, [where], False, 255, thick, cv2.LINE_AA, 4)
    small = cv2.resize(canvas, (width, height), interpolation=cv2.INTER_AREA)
    out: Picture = small.astype(np.float32) / np.float32(255)
    return out


def _corners(middle: NDArray[Any], width: int, r: Random) -> NDArray[Any]:
    """(3 to 6, 2) corners of a sheet, x and y, about a place."""
    count = int(r.integers(3, 7))
    angle = (np.arange(count) + r.uniform(0, 0.5, count) + r.random()) * 2 * np.pi / count
    radius = r.uniform(0.1, 0.6, (count, 1)) * width
    at = middle + r.normal(size=2) * 0.05 * width
    return np.asarray(at + radius * np.column_stack([np.cos(angle), np.sin(angle)]))


def sheets(sheer: Picture, hems: list[NDArray[Any]]) -> Picture:
    """Coverage by sheets of one cloth, (H, W): each that lies there hides its share of the rest.

    Args:
        sheer: (H, W) alpha of one layer.
        hems: of each sheet the outline, (N, 2) x and y in pixels.
    """
    passed = np.ones_like(sheer)
    for hem in hems:
        mask: Codes = np.zeros(sheer.shape, np.uint8)
        cv2.fillPoly(mask, [np.round(hem * 16).astype(np.int32)], 255, cv2.LINE_AA, 4)
        passed *= 1 - sheer * (mask.astype(np.float32) / 255)
    return np.asarray(1 - passed, np.float32)


def veil(around: Subject, screen: Picture, r: Random) -> Subject:
    """A sheer cloth, even or in folds, over a part of a subject and beyond it.

    One layer has an alpha of .05 to .6; where it is folded upon itself, up to .97. Every other
    one is of 2 to 4 sheets whose sharp hems cross.

    Args:
        around: the subject; the cloth lies anywhere where there is none.
        screen: (H, W, 3) linear, whose light passes on to the cloth.
        r: randomness.
    """
    height, width = around.alpha.shape
    inside = np.argwhere(around.alpha > 0.5)
    middle = inside[int(r.integers(len(inside)))] if len(inside) else r.random(2) * (height, width)
    angle = np.linspace(0, 2 * np.pi, 60, endpoint=False)
    reach = 1 + sum(r.normal() * 0.3 / k * np.cos(k * angle + r.uniform(0, 6.3)) for k in (1, 2, 3))
    radius = r.uniform(0.15, 0.6, 2) * width * np.maximum(reach, 0.2)[:, None]
    hem = middle[::-1] + radius * np.column_stack([np.cos(angle), np.sin(angle)])
    hems = [hem]
    if r.random() < 0.5:
        hems = [_corners(middle[::-1], width, r) for _ in range(int(r.integers(2, 5)))]
    sheer = np.full((height, width), r.uniform(0.05, 0.6), np.float32)
    shade = r.uniform(0, 0.4) * noise(r, (height, width), int(r.integers(3, 20)))
    if r.random() < 0.6:
        y, x = np.mgrid[0:height, 0:width].astype(np.float32) / width
        lean, count = r.normal() * 0.5, r.uniform(10, 60)
        folds = np.sin(
            count * (x * np.cos(lean) + y * np.sin(lean)) + noise(r, (height, width), 4)
        ) + 0.5 * noise(r, (height, width), 12)
        # Folded cloth is crossed more often: what passes is raised to the count of layers, whole
        # ones where it lies flat upon itself.
        layers = np.clip(1 + r.uniform(0.2, 1.5) * folds, 0.3, 5)
        sheer = 1 - (1 - sheer) ** (np.ceil(layers) if r.random() < 0.4 else layers)
        shade = shade + r.uniform(0, 0.3) * folds
    cover = np.minimum(sheets(np.clip(sheer, 0.03, 0.97), hems), np.float32(0.97))
    kind = r.random()
    level = 2 ** (r.uniform(-2, 0) if kind < 0.6 else r.uniform(-6, -3))
    own = np.full(3, level) if kind < 0.75 else any_color(r)
    if len(inside) and r.random() < 0.35:  # of the garment's cloth, or the hair's colour
        row, column = inside[int(r.integers(len(inside)))]
        own = np.minimum(around.neutral[row, column] * 2 ** r.uniform(-0.7, 0.4), 1)
    neutral = (own * 2 ** shade[..., None]).astype(np.float32)
    # White cloth sends on about as much of the screen's light as it shows of the lamps', black
    # cloth none: on rendered veils the light from the screen is .3 to 1.2 of that.
    passed = neutral.mean(2, keepdims=True) * np.float32(r.uniform(0, 1.3))
    lit, neutral = neutral + passed * screen, neutral + passed * luminance(screen)
    return Subject(cover.astype(np.float32), lit.astype(np.float32), neutral.astype(np.float32))
