"""A picture for the eye: a scene's hardest places at 200 %, truth beside result, three grounds."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import torch
from numpy.typing import NDArray

from models.transfer import Transfer, encode

Floats = NDArray[np.floating[Any]]
Pixels = NDArray[np.uint8]
SIDE = 144
ENLARGED = 2
LINE = 22
GAP = 4


@dataclass(frozen=True)
class Result:
    """A still, its truth and what was made of it.

    Attributes:
        shot: (H, W, 3) uint8, sRGB-encoded, as the camera gave it.
        true_alpha: (H, W) float in [0, 1].
        true_fg: (H, W, 3) float, linear, straight.
        alpha: as ``true_alpha``.
        fg: as ``true_fg``.
    """

    shot: Pixels
    true_alpha: Floats
    true_fg: Floats
    alpha: Floats
    fg: Floats


def grounds(high: int, wide: int) -> dict[str, Floats]:
    """Backgrounds, (H, W, 3) linear: nearly white, nearly black, and a coloured pattern."""
    rng = np.random.default_rng(7)
    busy: Floats = np.zeros((high, wide, 3))
    for cells, weight in ((6, 0.5), (24, 0.3), (96, 0.2)):
        coarse = rng.random((cells * high // wide + 1, cells, 3))
        coarse = (coarse + coarse.mean(-1, keepdims=True)) / 2
        busy = busy + weight * cv2.resize(coarse, (wide, high), interpolation=cv2.INTER_NEAREST)
    light = np.full((high, wide, 3), 0.8)
    return {"light": light, "dark": np.full((high, wide, 3), 0.015), "busy": busy**1.8}


def _eight(linear: Floats) -> Pixels:
    plain = torch.from_numpy(np.ascontiguousarray(linear, np.float32)).clamp(0, 1)
    return np.asarray((encode(plain, Transfer.SRGB) * 255).round().numpy(), np.uint8)


def over(alpha: Floats, fg: Floats, ground: Floats) -> Pixels:
    """The composite, sRGB-encoded."""
    a = alpha[..., None]
    return _eight(a * fg + (1 - a) * ground)


def places(result: Result, side: int = SIDE) -> list[tuple[str, int, int]]:
    """Where to look: why, top and left of squares that do not cover each other by much."""
    high, wide = result.true_alpha.shape
    side = min(side, high, wide)
    matte = np.abs(result.alpha - result.true_alpha)
    thin = result.true_alpha * (1 - result.true_alpha)
    grey = np.full((high, wide, 3), 0.18)
    mine = over(result.alpha, result.fg, grey).astype(np.float64)
    colour = np.abs(mine - over(result.true_alpha, result.true_fg, grey)).sum(-1)
    colour = colour * (result.true_alpha > 0.9)
    wishes = (
        ("largest matte error", matte),
        ("most partial alpha", thin),
        ("second matte error", matte),
        ("largest colour error", colour),
    )
    free = np.ones((high - side + 1, wide - side + 1), bool)
    found = []
    for why, size in wishes:
        sums = cv2.integral(size)
        inside = (
            sums[side:, side:] - sums[:-side, side:] - sums[side:, :-side] + sums[:-side, :-side]
        )
        if not free.any():
            break
        top, left = np.unravel_index(np.argmax(np.where(free, inside, -1)), inside.shape)
        found.append((why, int(top), int(left)))
        far = 3 * side // 4
        free[max(0, top - far) : top + far + 1, max(0, left - far) : left + far + 1] = False
    return found


def _grey(alpha: Floats) -> Pixels:
    """Alpha as it is shown: no curve."""
    plain = np.round(np.clip(alpha, 0, 1) * 255).astype(np.uint8)
    return np.repeat(plain[..., None], 3, -1)


def _columns(r: Result) -> Iterator[tuple[str, Pixels]]:
    yield "shot", r.shot
    yield "true matte", _grey(r.true_alpha)
    yield "matte", _grey(r.alpha)
    for name, ground in grounds(*r.true_alpha.shape).items():
        yield f"truth, {name}", over(r.true_alpha, r.true_fg, ground)
        yield f"result, {name}", over(r.alpha, r.fg, ground)


def _words(picture: Pixels, text: str, x: int, y: int) -> None:
    cv2.putText(picture, text, (x, y), cv2.FONT_HERSHEY_SIMPLEX, 0.5, (255,) * 3, 1, cv2.LINE_AA)


def sheet(path: Path, title: str, result: Result) -> None:
    """Write the sheet as JPEG.

    Args:
        path: of the JPEG; its folder must exist.
        title: stands above.
        result: what is shown.
    """
    chosen = places(result)
    columns = list(_columns(result))
    side = min(SIDE, *result.true_alpha.shape)
    tile = side * ENLARGED
    wide = len(columns) * (tile + GAP) - GAP
    high = 2 * LINE + len(chosen) * (tile + LINE)
    page = np.full((high, wide, 3), 40, np.uint8)
    _words(page, f"{title}; {ENLARGED * 100} %", 4, LINE - 6)
    for i, (name, picture) in enumerate(columns):
        x = i * (tile + GAP)
        _words(page, name, x + 4, 2 * LINE - 6)
        for j, (why, top, left) in enumerate(chosen):
            y = 2 * LINE + j * (tile + LINE)
            part = picture[top : top + side, left : left + side]
            page[y : y + tile, x : x + tile] = part.repeat(ENLARGED, 0).repeat(ENLARGED, 1)
            if i == 0:
                _words(page, f"{why}, at {left}, {top}", 4, y + tile + LINE - 6)
    quality = [cv2.IMWRITE_JPEG_QUALITY, 93]
    quality += [cv2.IMWRITE_JPEG_SAMPLING_FACTOR, cv2.IMWRITE_JPEG_SAMPLING_FACTOR_444]
    cv2.imwrite(str(path), page[..., ::-1], quality)
