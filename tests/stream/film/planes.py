"""Small films for tests: pictures by formula, a place to stand in, what a file holds."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from fractions import Fraction
from pathlib import Path

import av
import numpy as np
import torch
from numpy.typing import NDArray
from torch import Tensor

from models.color import Planes, rgb_to_planes
from models.composite import Scene
from models.placing import Placing
from models.resample import Placement
from models.transfer import encode
from stream.capture.frame import Frame
from stream.template import Nudge
from tests.models.rendered import GREEN, SKIN, VIDEO_8, colour, person, shown, uneven

SIZE = (120, 176)


def ramp(number: int, size: tuple[int, int] = SIZE) -> Planes:
    """A picture that differs from the one before."""
    y, x = torch.arange(size[0])[:, None], torch.arange(size[1])[None]
    luma = (40 + (x + y + 5 * number) % 160).to(torch.uint8)
    half = (size[0] // 2, size[1] // 2)
    return luma, torch.full(half, 100, dtype=torch.uint8), torch.full(half, 150, dtype=torch.uint8)


def taken(count: int, rate: Fraction = Fraction(30), sway: float = 0.6) -> list[Frame]:
    """Somebody before a screen, 240 x 160, in grain of its own in every frame."""
    frames = []
    for i in range(count):
        scene = shown(person(13 + sway * i), colour(SKIN), uneven(GREEN)).picture
        noise = torch.randn(scene.shape, generator=torch.Generator().manual_seed(i)) * 1.5 / 255
        planes = rgb_to_planes(encode(scene, VIDEO_8.transfer) + noise, VIDEO_8)
        when = datetime(2026, 5, 1, tzinfo=UTC)
        frames.append(Frame(planes, VIDEO_8, 0, i, 1 / rate, 0.0, when, "test", i))
    return frames


@dataclass
class Stage:
    """A backdrop with the take's frame all over it; what shows when is for the test to say."""

    size: tuple[int, int] = SIZE
    changes_s: tuple[float, ...] = ()
    fade_s: float = 0.0
    asked: list[float] = field(default_factory=list)

    def __post_init__(self) -> None:
        made = torch.Generator().manual_seed(8)
        self._scenes = [
            Scene(torch.rand(1, 3, *self.size, generator=made))
            for _ in range(len(self.changes_s) + 1)
        ]

    def scene(self, t_s: float) -> Scene:
        return self._scenes[sum(t_s >= t for t in self.changes_s)]

    def standing(self, t_s: float) -> int:
        return 0

    def subject_gain(self, t_s: float) -> float:
        self.asked.append(t_s)
        return min(1.0, t_s / self.fade_s) if self.fade_s else 1.0

    def placings(
        self, frame_size: tuple[int, int], mirror: bool, nudge: Nudge
    ) -> list[Placing | None]:
        scale = self.size[0] / frame_size[0]
        return [Placement(scale, nudge.right, nudge.down, mirror)]


def decoded(paths: Sequence[Path]) -> list[NDArray[np.uint8]]:
    """Every picture of the files, its planes one below the other."""
    found: list[NDArray[np.uint8]] = []
    for path in paths:
        with av.open(str(path)) as container:
            for frame in container.decode(video=0):
                found.append(frame.to_ndarray(format="yuv420p").astype(np.uint8, copy=False))
    return found


def packets(path: Path) -> list[tuple[int | None, int, str]]:
    """Timestamps, sizes and content of what a file holds."""
    with av.open(str(path)) as container:
        return [
            (p.pts, p.size, hashlib.sha256(bytes(p)).hexdigest())
            for p in container.demux(video=0)
            if p.size
        ]


def stacked(planes: Sequence[Tensor]) -> NDArray[np.uint8]:
    """Planes as `decoded` gives them."""
    flat = torch.cat([p.reshape(-1) for p in planes])
    width = planes[0].shape[1]
    got: NDArray[np.uint8] = flat.view(-1, width).numpy()
    return got


def again(frames: Sequence[Frame]) -> Iterator[Frame]:
    yield from frames
