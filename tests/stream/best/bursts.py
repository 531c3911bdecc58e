"""Bursts whose best frame is known: portraits before a screen, with faults put in as cameras do.

The portraits (`portraits/`, card there) are rendered, each with eyes open, the same with eyes shut,
and with the head turned. They are laid before a screen in linear light; movement and defocus are
averages of that light, exposure is a factor of it, and only then come curve, noise and 4:2:0.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
import torch
from numpy.typing import NDArray
from PIL import Image

from models.color import Encoding, rgb_to_planes, turn
from models.transfer import encode
from stream.capture.frame import Frame
from stream.opencv import cv2

PORTRAITS = Path(__file__).parent / "portraits"
NAMES = ("a", "b", "c", "d", "e", "f")
HEIGHT, WIDTH = 360, 480
Array = NDArray[Any]


@functools.cache
def portrait(name: str, view: str) -> Array:
    """A portrait: (H, W, 4) float32, linear, premultiplied, with its coverage."""
    with Image.open(PORTRAITS / f"{name}-{view}.webp") as image:
        codes = np.asarray(image.convert("RGBA"), np.float32) / 255
    alpha = codes[..., 3:]
    rgb = codes[..., :3]
    linear = np.where(rgb <= 0.04045, rgb / 12.92, ((rgb + 0.055) / 1.055) ** 2.4)
    return np.concatenate([linear * alpha, alpha], -1).astype(np.float32)


@functools.cache
def _small(name: str, view: str, height: int) -> Array:
    """A portrait at another height."""
    source = portrait(name, view)
    scale = height / source.shape[0]
    how = cv2.INTER_AREA if scale < 1 else cv2.INTER_LINEAR
    return np.asarray(
        cv2.resize(source, (round(scale * source.shape[1]), height), interpolation=how)
    )


@dataclass(frozen=True)
class Pose:
    """One person in one frame.

    Attributes:
        name: whose portrait.
        view: "open", "shut" or "turned".
        x: middle, in shares of the frame's width.
        scale: height of the portrait in shares of the frame's height; it stands on the lower edge.
    """

    name: str
    view: str = "open"
    x: float = 0.5
    scale: float = 0.92


@dataclass(frozen=True)
class Shot:
    """How a frame is taken.

    Attributes:
        people: who is in it.
        moved: length of the movement while the shutter is open, in shares of the width.
        direction: of it, radians.
        defocus: radius of the disc that a point becomes, in shares of the width.
        stops: more light, or less.
    """

    people: tuple[Pose, ...]
    moved: float = 0.0
    direction: float = 0.0
    defocus: float = 0.0
    stops: float = 0.0


def _disc(radius: float) -> Array:
    reach = math.ceil(radius)
    y, x = np.mgrid[-reach : reach + 1, -reach : reach + 1]
    disc = np.clip(radius + 0.5 - np.hypot(y, x), 0, 1)
    return np.asarray(disc / disc.sum(), np.float32)


def _line(length: float, direction: float) -> Array:
    reach = math.ceil(length / 2) + 1
    kernel = np.zeros((2 * reach + 1, 2 * reach + 1), np.float32)
    for t in np.linspace(-length / 2, length / 2, 4 * reach + 1):
        x, y = reach + t * math.cos(direction), reach + t * math.sin(direction)
        left, top = math.floor(x), math.floor(y)
        for row, column in ((top, left), (top, left + 1), (top + 1, left), (top + 1, left + 1)):
            if 0 <= row < len(kernel) and 0 <= column < len(kernel):
                kernel[row, column] += (1 - abs(y - row)) * (1 - abs(x - column))
    return np.asarray(kernel / kernel.sum())


@functools.cache
def _screen(height: int, width: int) -> Array:
    y, x = np.mgrid[0:height, 0:width].astype(np.float32)
    light = 1.05 - 0.18 * (x / width - 0.4) ** 2 - 0.12 * y / height
    return np.asarray(light[..., None] * np.array([0.05, 0.36, 0.08], np.float32))


def taken(
    shot: Shot,
    rng: np.random.Generator,
    size: tuple[int, int] = (HEIGHT, WIDTH),
    encoding: Encoding = Encoding(),  # noqa: B008 - frozen
    quarter_turns: int = 0,
    index: int = 0,
    noise: float = 1.5,
    chroma: str = "420",
) -> Frame:
    """What a camera makes of it.

    Args:
        shot: what happens before it.
        rng: of its noise.
        size: (H, W) of the upright frame.
        encoding: how its planes are coded.
        quarter_turns: clockwise turns that make it upright again.
        index: its place.
        noise: standard deviation, in codes of 255.
        chroma: as in `models.color.rgb_to_planes`.
    """
    height, width = size
    light = _screen(height, width)
    for pose in shot.people:
        small = _small(pose.name, pose.view, round(pose.scale * height))
        laid: Array = np.zeros((height, width, 4), np.float32)
        left = round(pose.x * width - small.shape[1] / 2)
        cut = max(-left, 0), min(width - left, small.shape[1])
        top = height - small.shape[0]
        laid[top:, left + cut[0] : left + cut[1]] = small[:, cut[0] : cut[1]]
        if shot.moved:
            laid = cv2.filter2D(laid, -1, _line(shot.moved * width, shot.direction))
        light = laid[..., :3] + (1 - laid[..., 3:]) * light
    if shot.defocus * width > 0.3:
        disc = _disc(shot.defocus * width)
        light = cv2.filter2D(light, -1, disc, borderType=cv2.BORDER_REPLICATE)
    rgb = torch.from_numpy(light).permute(2, 0, 1)[None] * 2.0**shot.stops
    grain = torch.from_numpy(rng.standard_normal((1, 1, height, width), np.float32))
    shown = encode(rgb, encoding.transfer).add_(grain, alpha=noise / 255).clamp_(0, 1)
    planes = rgb_to_planes(turn(shown, -quarter_turns % 4).contiguous(), encoding, chroma)
    return Frame(
        planes=planes,
        encoding=encoding,
        quarter_turns=quarter_turns,
        pts=index,
        time_base=Fraction(1, 30),
        arrived_s=index / 30,
        taken=datetime(2026, 5, 1, 12, 0, tzinfo=UTC),
        source="camera",
        index=index,
    )


Fault = Callable[[Shot, np.random.Generator], Shot]


def moved(shot: Shot, rng: np.random.Generator) -> Shot:
    """Somebody moves, or the camera does: 1 to 6 % of the width."""
    length, direction = rng.uniform(0.01, 0.06), rng.uniform(0, math.pi)
    return replace(shot, moved=length, direction=direction)


def defocused(shot: Shot, rng: np.random.Generator) -> Shot:
    """The lens hunts: discs of .3 to 1.2 % of the width in radius."""
    return replace(shot, defocus=rng.uniform(0.003, 0.012))


def overexposed(shot: Shot, rng: np.random.Generator) -> Shot:
    """Another lamp fires too: .8 to 2 stops."""
    return replace(shot, stops=rng.uniform(0.8, 2.0))


def underexposed(shot: Shot, rng: np.random.Generator) -> Shot:
    """A flash does not fire: .8 to 2.5 stops."""
    return replace(shot, stops=-rng.uniform(0.8, 2.5))


def half_out(shot: Shot, rng: np.random.Generator) -> Shot:
    """They step out of the frame: a third to two thirds of them is gone."""
    far = rng.uniform(-0.12, 0.12)
    x = far if rng.random() < 0.5 else 1 - far
    return replace(shot, people=(replace(shot.people[0], x=x), *shot.people[1:]))


def _viewed(shot: Shot, rng: np.random.Generator, view: str) -> Shot:
    people = list(shot.people)
    n = int(rng.integers(len(people)))
    people[n] = replace(people[n], view=view)
    return replace(shot, people=tuple(people))


def shut(shot: Shot, rng: np.random.Generator) -> Shot:
    """Somebody blinks."""
    return _viewed(shot, rng, "shut")


def turned(shot: Shot, rng: np.random.Generator) -> Shot:
    """Somebody looks away."""
    return _viewed(shot, rng, "turned")


FAULTS: tuple[Fault, ...] = (
    moved, defocused, overexposed, underexposed, half_out, shut, turned
)  # fmt: skip


def swayed(shot: Shot, rng: np.random.Generator) -> Shot:
    """No two frames are alike: people sway, the lens breathes, lamps flicker; nobody sees it.

    So the right frame is not always the sharpest or the brightest by a hair.
    """
    return replace(
        shot,
        defocus=rng.uniform(0, 0.0016),
        stops=rng.uniform(-0.12, 0.12),
        people=tuple(
            replace(p, x=p.x + rng.normal(0, 0.006), scale=p.scale + rng.choice([-1, 0, 1]) / 360)
            for p in shot.people
        ),
    )


@dataclass(frozen=True)
class Burst:
    """A burst with its truth.

    Attributes:
        frames: in the order in which they are taken.
        best: the place of the one without a fault.
        worst: the places of those with two faults or more.
        told: the faults of each, for whoever reads a failure.
        plate: the bare screen, which half of the bursts have.
    """

    frames: tuple[Frame, ...]
    best: int
    worst: tuple[int, ...]
    told: tuple[str, ...]
    plate: Frame | None


def bare(rng: np.random.Generator) -> Frame:
    """The plate: nobody before the screen."""
    return taken(Shot(()), rng)


def burst(seed: int, faults: Sequence[Fault] = FAULTS) -> Burst:
    """A burst of two or three frames by its seed: one without a fault, the others with faults."""
    rng = np.random.default_rng(seed)
    count = (2, 3, 2, 3, 2)[seed % 5]
    names = [NAMES[n] for n in rng.permutation(len(NAMES))]
    people: tuple[Pose, ...]
    if rng.random() < 0.2:
        people = (Pose(names[0], x=0.29, scale=0.8), Pose(names[1], x=0.71, scale=0.8))
    else:
        people = (Pose(names[0], x=rng.uniform(0.42, 0.58)),)
    best = int(rng.integers(count))
    frames, told, worst = [], [], []
    for n in range(count):
        shot = swayed(Shot(people), rng)
        chosen: list[Fault] = []
        if n != best:
            many = 2 if rng.random() < 0.3 else 1
            chosen = [faults[k] for k in rng.permutation(len(faults))[:many]]
            for fault in chosen:
                shot = fault(shot, rng)
        if len(chosen) > 1:
            worst.append(n)
        told.append(" and ".join(f.__name__ for f in chosen) or "right")
        frames.append(taken(shot, rng, index=n, noise=rng.uniform(0.8, 2.2)))
    plate = bare(rng) if rng.random() < 0.5 else None
    return Burst(tuple(frames), best, tuple(worst), tuple(told), plate)
