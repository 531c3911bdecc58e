"""Rendered subjects with their true alpha, moved, lit and spilled on as no render was.

A subject is three files: NAME_a.png (alpha, 16 bit), NAME_f.jpg (straight colour before a green
screen, its light on it) and NAME_n.jpg (the same before a grey screen), sRGB.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from models.errors import PosewallError

Picture = NDArray[np.float32]
Random = np.random.Generator

Size = tuple[int, int]
"""(H, W)."""
_WHOLE = 65520
"""Alpha 1 in the files: 12 bits shifted up by 4."""


def decode(x: NDArray[np.generic]) -> Picture:
    """sRGB codes to linear light (IEC 61966-2-1)."""
    v = np.asarray(x, np.float32) / 255
    return np.where(v <= 0.04045, v / 12.92, ((v + 0.055) / 1.055) ** 2.4).astype(np.float32)


def encode(x: Picture) -> Picture:
    """Linear light to sRGB codes, not rounded."""
    v = np.clip(x, 0, 1)
    out = np.where(v <= 0.0031308, 12.92 * v, 1.055 * v ** (1 / 2.4) - 0.055) * 255
    return out.astype(np.float32)


@dataclass(frozen=True)
class Subject:
    """A subject before a screen; linear light.

    Attributes:
        alpha: (H, W) coverage.
        lit: (H, W, 3) straight colour with the screen's light on it.
        neutral: (H, W, 3) straight colour before a grey screen.
    """

    alpha: Picture
    lit: Picture
    neutral: Picture

    def premultiplied(self) -> Picture:
        """(H, W, 7): alpha, and both colours times alpha."""
        a = self.alpha[..., None]
        return np.concatenate([a, self.lit * a, self.neutral * a], 2)


def from_premultiplied(x: Picture) -> Subject:
    """The reverse of `Subject.premultiplied`."""
    straight: Picture = (x[..., 1:] / np.maximum(x[..., :1], 1e-4)).astype(np.float32)
    return Subject(np.ascontiguousarray(x[..., 0]), straight[..., :3], straight[..., 3:])


def names(folder: Path) -> list[str]:
    """The subjects of a folder, in order.

    Raises:
        PosewallError: there is none.
    """
    found = sorted(p.name[:-6] for p in folder.glob("*_a.png"))
    if not found:
        raise PosewallError(
            f"{folder}: no training subject is in it; each is NAME_a.png, NAME_f.jpg, NAME_n.jpg"
        )
    return found


def load(folder: Path, name: str) -> Subject:
    """Read one subject."""

    def read(end: str, how: int) -> NDArray[Any]:
        path = folder / f"{name}{end}"
        found = cv2.imread(str(path), how)
        if found is None:
            raise PosewallError(f"{path}: this picture of a training subject could not be read")
        return found

    alpha = read("_a.png", cv2.IMREAD_UNCHANGED).astype(np.float32) / _WHOLE
    colors = (decode(read(e, cv2.IMREAD_COLOR)[..., ::-1]) for e in ("_f.jpg", "_n.jpg"))
    return Subject(np.minimum(alpha, 1), *colors)


def moved(s: Subject, size: Size, r: Random) -> Subject:
    """In a frame of ``size``, of another height, place and lean; mirrored by chance."""
    height, width = size
    have_h, have_w = s.alpha.shape
    scale = height / have_h * 2 ** r.uniform(-0.9, 0.75)
    low = 1.0 if r.random() < 0.7 else r.random()  # mostly the body leaves the picture below
    lean = r.normal() * 0.06
    turn = np.array([[np.cos(lean), -np.sin(lean)], [np.sin(lean), np.cos(lean)]])
    place = [(width - scale * have_w) * r.random(), (height - scale * have_h) * low]
    matrix = np.column_stack([turn * scale, place]).astype(np.float32)
    x = s.premultiplied()
    parts: list[NDArray[Any]] = [x[..., :4], x[..., 4:]]  # OpenCV takes four channels
    if scale < 0.75:
        parts = [cv2.GaussianBlur(p, (0, 0), 0.35 / scale) for p in parts]
    parts = [cv2.warpAffine(p, matrix, (width, height)) for p in parts]
    out = np.concatenate(parts, 2)
    return from_premultiplied(out[:, ::-1] if r.random() < 0.5 else out)


def mirroring(s: Subject, screen: Picture, r: Random) -> Subject:
    """Let solid parts reflect the screen, as silk, leather and metal do."""
    solid = cv2.erode((s.alpha > 0.99).astype(np.float32), np.ones((3, 3)))
    field = 0.5 + 0.5 * noise(r, (s.alpha.shape[0], s.alpha.shape[1]), int(r.integers(4, 30)))
    share = np.clip(field * r.uniform(0.2, 1.0), 0, r.uniform(0.4, 0.9)) * cv2.blur(solid, (3, 3))
    back = cv2.GaussianBlur(screen, (0, 0), 20) * r.uniform(0.5, 1.1)
    grey = back.mean(2, keepdims=True)
    share = share[..., None].astype(np.float32)
    return replace(
        s,
        lit=s.lit * (1 - share) + back * share,
        neutral=s.neutral * (1 - share) + grey * share,
    )


def noise(r: Random, size: tuple[int, int], cells: int) -> Picture:
    """Smooth noise of deviation about 1, with about ``cells`` cells on the longer side."""
    grid = [max(2, int(cells * n / max(size))) + 1 for n in size]
    coarse = r.normal(size=grid).astype(np.float32)
    wide = cv2.resize(coarse, (size[1], size[0]), interpolation=cv2.INTER_CUBIC)
    return wide.astype(np.float32)


def drawn(size: Size, r: Random) -> Subject:
    """Discs, patches and strands of any colour and coverage: what was never rendered."""
    height, width = size
    fine = 2

    def color() -> Picture:
        kind = r.random()
        if kind < 0.3:
            c = np.ones(3) * 2 ** r.uniform(-5, 0)
        elif kind < 0.5:
            c = np.array([0.6, 0.33, 0.22]) * 2 ** r.uniform(-3, 0.5)  # about skin
        else:
            c = r.random(3) ** 2
        return c.astype(np.float32)

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
    neutral[:] = color()
    for _ in range(int(r.integers(1, 5))):
        patch = np.zeros((height, width), np.uint8)
        disc(patch, width / 36)
        neutral[patch > 0] = color()
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
