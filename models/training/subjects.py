"""Rendered subjects with their true alpha, moved, lit and spilled on as no render was.

A subject is three files: NAME_a.png (alpha, 16 bit), NAME_f.jpg (straight colour before a green
screen, its light on it) and NAME_n.jpg (the same before a grey screen), sRGB.
"""

from __future__ import annotations

import zlib
from collections.abc import Iterable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from models.errors import PosewallError

Picture = NDArray[np.float32]
Codes = NDArray[np.uint8]
Random = np.random.Generator

Size = tuple[int, int]
"""(H, W)."""
Named = tuple[Path, str]
"""A subject: the folder it lies in, and its name."""
_WHOLE = 65520
"""Alpha 1 in the files: 12 bits shifted up by 4."""


def decode(x: NDArray[np.generic]) -> Picture:
    """sRGB codes to linear light (IEC 61966-2-1)."""
    v = np.asarray(x, np.float32) / 255
    return np.where(v <= 0.04045, v / 12.92, ((v + 0.055) / 1.055) ** 2.4).astype(np.float32)


_LINEAR = decode(np.arange(256))


def encode(x: Picture) -> Picture:
    """Linear light to sRGB codes, not rounded."""
    v = np.clip(x, 0, 1).astype(np.float32)
    curved = cv2.pow(v, 1 / 2.4).reshape(v.shape)  # several times as fast as numpy's
    out = np.where(v <= 0.0031308, v * np.float32(12.92 * 255), curved * 269.025 - 14.025)
    return out.astype(np.float32)


def luminance(x: Picture) -> Picture:
    """(H, W, 1) of (H, W, 3) linear Rec.709 (ITU-R BT.709-6): what a grey of it reflects."""
    return x @ np.array([[0.2126], [0.7152], [0.0722]], np.float32)


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


def over(front: Subject, behind: Subject) -> Subject:
    """One subject before another: what both hide together, and its colours."""
    x, y = front.premultiplied(), behind.premultiplied()
    return from_premultiplied((x + (1 - front.alpha[..., None]) * y).astype(np.float32))


def names(folder: Path) -> list[str]:
    """The subjects of a folder, in order.

    Raises:
        PosewallError: there is none.
    """
    there = sorted(p.name[:-6] for p in folder.glob("*_a.png"))
    if not there:
        raise PosewallError(
            f"{folder}: no training subject is in it; each is NAME_a.png, NAME_f.jpg, NAME_n.jpg"
        )
    return there


def found(folders: Iterable[Path]) -> list[Named]:
    """The subjects of several folders, in order: each with its folder.

    Raises:
        PosewallError: a folder has none.
    """
    return [(folder, name) for folder in folders for name in names(folder)]


def held_out(name: str) -> bool:
    """Whether a subject, one of twelve, is kept for validation."""
    return zlib.crc32(name.encode()) % 12 == 0


def taken(folders: list[Path], every_other: bool) -> list[Named]:
    """The subjects to learn from: none that is held out, and by choice half of the others.

    Raises:
        PosewallError: none is left.
    """
    kept = [(folder, n) for folder, n in found(folders) if not held_out(n)]
    kept = kept[1::2] if every_other else kept
    if not kept:
        raise PosewallError("every subject is held out for validation; give more of them")
    return kept


def load(folder: Path, name: str) -> Subject:
    """Read one subject."""

    def read(end: str, how: int) -> NDArray[Any]:
        path = folder / f"{name}{end}"
        picture = cv2.imread(str(path), how)
        if picture is None:
            raise PosewallError(f"{path}: this picture of a training subject could not be read")
        return picture

    alpha = read("_a.png", cv2.IMREAD_UNCHANGED).astype(np.float32) / _WHOLE
    colors = (_LINEAR[read(e, cv2.IMREAD_COLOR)[..., ::-1]] for e in ("_f.jpg", "_n.jpg"))
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
    return _warped(s, matrix, size, r.random() < 0.5)


def close_up(s: Subject, size: Size, r: Random) -> Subject:
    """A solid part of the subject as large as the frame, or nearly; `moved` where nothing is."""
    height, width = size
    solid = cv2.copyMakeBorder((s.alpha > 0.99).astype(np.uint8), 1, 1, 1, 1, cv2.BORDER_CONSTANT)
    room = cv2.distanceTransform(solid, cv2.DIST_L2, 3)[1:-1, 1:-1]
    if room.max() < 2:
        return moved(s, size, r)
    choice = np.argwhere(room > 0.8 * room.max())
    row, column = choice[int(r.integers(len(choice)))]
    # In units of what is free around; above 1 the frame's corners may show the screen.
    reach = r.uniform(0.8, 1.2) if r.random() < 0.5 else r.uniform(1.2, 1.45)
    scale = np.hypot(height, width) / 2 / (room[row, column] * reach)
    lean = r.normal() * 0.1
    turn = scale * np.array([[np.cos(lean), -np.sin(lean)], [np.sin(lean), np.cos(lean)]])
    place = np.array([width, height]) / 2 - turn @ np.array([column, row])
    near = _warped(s, np.column_stack([turn, place]).astype(np.float32), size, r.random() < 0.5)
    # Enlarged cloth has lost its threads.
    grain = r.uniform(0.02, 0.15) * cv2.GaussianBlur(
        r.standard_normal(size, np.float32), (0, 0), r.uniform(0.6, 1.5)
    )
    threads = np.float32(2) ** grain[..., None]
    return replace(near, lit=near.lit * threads, neutral=near.neutral * threads)


def _warped(s: Subject, matrix: Picture, size: Size, mirror: bool) -> Subject:
    x = s.premultiplied()
    scale = float(np.sqrt(abs(np.linalg.det(matrix[:, :2]))))
    parts: list[NDArray[Any]] = [x[..., :4], x[..., 4:]]  # OpenCV takes four channels
    if scale < 0.75:
        parts = [cv2.GaussianBlur(p, (0, 0), 0.35 / scale) for p in parts]
    parts = [cv2.warpAffine(p, matrix, (size[1], size[0])) for p in parts]
    out = np.concatenate(parts, 2)
    return from_premultiplied(out[:, ::-1] if mirror else out)


def noise(r: Random, size: tuple[int, int], cells: int) -> Picture:
    """Smooth noise of deviation about 1, with about ``cells`` cells on the longer side."""
    grid = [max(2, int(cells * n / max(size))) + 1 for n in size]
    coarse = r.normal(size=grid).astype(np.float32)
    wide = cv2.resize(coarse, (size[1], size[0]), interpolation=cv2.INTER_CUBIC)
    return wide.astype(np.float32)
