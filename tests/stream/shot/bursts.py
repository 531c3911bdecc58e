"""Bursts with a known best frame: a figure of fine detail before a green screen, one sharp."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime
from fractions import Fraction
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import torch
from numpy.typing import NDArray

from models.color import Encoding, Matrix, Range, Siting
from models.transfer import Transfer
from stream.capture.frame import Frame

HD_PART = (180, 320)
TAKEN = datetime(2026, 5, 31, 18, 4, 5, tzinfo=UTC)


def scene(size: tuple[int, int], blur: float, seed: int = 3) -> NDArray[np.uint8]:
    """(H, W, 3) R'G'B': the same figure each time, softened as by a lens out of focus."""
    high, wide = size
    chance = np.random.default_rng(seed)
    picture: NDArray[Any] = np.zeros((high, wide, 3), np.float32)
    picture[...] = (40, 170, 60)
    detail = cv2.resize(
        chance.uniform(50, 210, (high // 3, wide // 6, 1)).astype(np.float32),
        (wide // 3, high - high // 5),
        interpolation=cv2.INTER_NEAREST,
    )
    picture[high // 5 :, wide // 3 : wide // 3 + detail.shape[1]] = detail[..., None]
    if blur > 0:
        picture = cv2.GaussianBlur(picture, (0, 0), blur)
    codes: NDArray[np.uint8] = np.clip(np.rint(picture), 0, 255).astype(np.uint8)
    return codes


def frame_of(picture: NDArray[np.uint8], index: int, arrived_s: float) -> Frame:
    """A 4:2:0 frame of a picture, as a camera of full range sends it."""
    # ITU-T T.871 (JFIF): BT.601 in full range, as OpenCV converts
    high = picture.shape[0]
    planes = cv2.cvtColor(picture, cv2.COLOR_RGB2YUV_I420)
    chroma = planes[high:].reshape(2, high // 2, picture.shape[1] // 2)
    encoding = Encoding(Matrix.BT601, Range.FULL, Transfer.SRGB, Siting.CENTER, 8)
    return Frame(
        (
            torch.from_numpy(planes[:high].copy()),
            torch.from_numpy(chroma[0].copy()),
            torch.from_numpy(chroma[1].copy()),
        ),
        encoding,
        0,
        pts=index * 2,
        time_base=Fraction(1, 60),
        arrived_s=arrived_s,
        taken=TAKEN,
        source="hall camera",
        index=index,
    )


def burst(sharp: int, count: int = 8, size: tuple[int, int] = HD_PART) -> list[Frame]:
    """Frames of a thirtieth of a second each, all soft but one."""
    soft, clear = scene(size, 2.5), scene(size, 0.0)
    made = [frame_of(clear if n == sharp else soft, n, 100 + n / 30) for n in range(count)]
    # No two frames of a camera are the same to the last bit.
    for n, frame in enumerate(made):
        frame.planes[0][0, n] += 1
    return made


def stills(folder: Path, sharp: int, blurs: Sequence[float] = (2.5,) * 5) -> list[Path]:
    """The same as files of a camera."""
    folder.mkdir(exist_ok=True)
    paths = []
    for n, blur in enumerate(blurs):
        picture = scene((240, 360), 0.0 if n == sharp else blur)
        picture[0, n] += 1
        path = folder / f"IMG_{n:04d}.png"
        assert cv2.imwrite(str(path), cv2.cvtColor(picture, cv2.COLOR_RGB2BGR))
        paths.append(path)
    return paths


def same(a: Frame, b: Frame) -> bool:
    """The same planes, bit for bit, and the same place in the source."""
    same_place = (a.pts, a.time_base, a.index) == (b.pts, b.time_base, b.index)
    return same_place and all(torch.equal(x, y) for x, y in zip(a.planes, b.planes, strict=True))


def moved(frame: Frame, index: int) -> Frame:
    """The frame as another one of the source."""
    return replace(frame, index=index)
