"""Screens as studios and booths have them: lit unevenly, folded, marked, ending, and shadowed."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from models.training.chances import Dice
from models.training.subjects import Codes, Picture, Random, Size, noise


@dataclass(frozen=True)
class Backdrop:
    """What stands behind the subject.

    Attributes:
        light: (H, W, 3) linear light.
        floor: the row from which on it lies flat; None where no floor is seen.
        aside: (H, W) bool, where it is no screen but a wall or a stand beside it; None where the
            screen fills the frame.
    """

    light: Picture
    floor: float | None
    aside: NDArray[np.bool_] | None = None


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
    y, x = _grid(size)
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
    out = color * _times(stops)
    if r.random() < (0.1 if usual else 0.3):
        tint = noise(r, size, 3)[..., None] * np.array([1, 0, 0.6], np.float32)
        out = out * (1 + np.float32(r.uniform(0, 0.1)) * tint)
    lit: Picture = np.maximum(out, 1e-4).astype(np.float32)
    return lit


def backdrop(size: Size, dice: Dice, usual: bool) -> Backdrop:
    """A green screen with all that chance brings to it.

    Args:
        size: (H, W).
        dice: what decides.
        usual: usual paint and level, or anything like a screen.
    """
    light = screen(size, dice.of("screen"), usual)
    if (r := dice.fall("wrinkles")) is not None:
        light = light * _times(wrinkles(size, r))
    if (r := dice.fall("seams")) is not None:
        light = light * _times(seams(size, r))
    floor, aside = None, None
    if (r := dice.fall("floor")) is not None:
        light, floor = _floored(light, r)
    if (r := dice.fall("marks")) is not None:
        light = _marked(light, r)
    if (r := dice.fall("ending")) is not None:
        light, aside = _ending(light, r)
    return Backdrop(np.maximum(light, 1e-4).astype(np.float32), floor, aside)


def _grid(size: Size) -> tuple[Picture, Picture]:
    """Rows and columns from -.5 to .5, to be broadcast."""
    height, width = size
    y = np.linspace(-0.5, 0.5, height, False, dtype=np.float32)[:, None]
    x = np.linspace(-0.5, 0.5, width, False, dtype=np.float32)[None]
    return y, x


def _times(stops: NDArray[Any]) -> Picture:
    times = cv2.exp(stops.astype(np.float32) * np.float32(np.log(2)))[..., None]
    return np.asarray(times, np.float32)


def wrinkles(size: Size, r: Random) -> Picture:
    """Shading of a cloth in stops, (H, W): hanging folds, folds of its packing, or crumples."""
    y, x = _grid(size)
    kind = r.random()
    if kind < 0.4:
        lean = r.normal() * 0.15
        phase = r.uniform(12, 70) * (x + lean * y) + r.uniform(1, 4) * noise(r, size, 3)
        # The sharpened wave is brighter at the fold's edge than in its valley.
        wave = np.sin(phase) + 0.4 * np.sin(2 * phase + r.uniform(0, 6.3))
        strength = np.clip(0.6 + 0.5 * noise(r, size, 3), 0, None)
        return np.asarray(r.uniform(0.05, 0.4) * strength * wave, np.float32)
    if kind < 0.7:
        out = np.zeros(size, np.float32)
        soft = r.uniform(0.003, 0.015)
        for along, axis in ((y, x), (x, y)):
            gap = r.uniform(0.15, 0.45)
            for place in np.arange(-0.5 + gap * r.random(), 0.5, gap):
                away = (axis - place - 0.02 * r.normal() * along) / soft
                out += r.normal() * away * np.exp(-away * away / 2)
        strength = np.clip(0.7 + 0.4 * noise(r, size, 5), 0, None)
        return np.asarray(r.uniform(0.05, 0.4) * strength * out, np.float32)
    cells = int(r.integers(6, 25))
    heights = sum(np.abs(noise(r, size, cells * 2**k)) / 2**k for k in range(3))
    across, down = np.gradient(cv2.GaussianBlur(heights, (0, 0), max(size) / 400))
    angle = r.uniform(0, 2 * np.pi)
    shade = across * np.cos(angle) + down * np.sin(angle)
    return np.asarray(r.uniform(0.05, 0.25) * shade / (shade.std() + 1e-6), np.float32)


def seams(size: Size, r: Random) -> Picture:
    """Stops of one or two lines where cloth meets, each darker than what it parts, (H, W)."""
    y, x = _grid(size)
    out = np.zeros(size, np.float32)
    for _ in range(int(r.integers(1, 3))):
        axis, along = (x, y) if r.random() < 0.6 else (y, x)
        away = axis - r.uniform(-0.45, 0.45) - r.normal() * 0.03 * along
        away = away * size[1 if axis is x else 0]  # pixels
        side = np.clip(away / 2 + 0.5, 0, 1)
        width = r.uniform(0.4, 3) * max(size) / 960
        out += r.normal() * 0.08 * side - r.uniform(0.05, 0.8) * np.exp(-((away / width) ** 2))
    return out


def _floored(light: Picture, r: Random) -> tuple[Picture, float]:
    """The screen's lower part as a floor: of another level, brighter or darker to the front."""
    size = (light.shape[0], light.shape[1])
    y, x = _grid(size)
    line = r.uniform(0.1, 0.45)
    below = y - line - r.normal() * 0.03 * x
    soft = r.uniform(0.002, 0.03)
    share = np.clip(below / soft + 0.5, 0, 1)
    stops = share * (r.uniform(-1, 0.8) + r.normal() * 1.5 * np.maximum(below, 0))
    if r.random() < 0.4:  # the bend of a cloth is often darker
        stops = stops - r.uniform(0, 0.4) * np.exp(-((below / 0.02) ** 2))
    out = light * _times(stops)
    if r.random() < 0.5:
        tint = 1 + 0.15 * r.normal(size=3) * share[..., None]
        out = out * np.clip(tint, 0.5, 1.6)
    return out.astype(np.float32), (line + 0.5) * size[0]


def _painted(light: Picture, mask: Codes, color: Picture) -> Picture:
    share = mask[..., None].astype(np.float32) / 255
    return (light * (1 - share) + color * share).astype(np.float32)


def _marked(light: Picture, r: Random) -> Picture:
    """Crosses and strips of tape, of another level of green or of any colour."""
    height, width = light.shape[:2]
    mask: Codes = np.zeros((height, width), np.uint8)
    reach, thick = r.uniform(0.01, 0.06) * width, max(1, round(r.uniform(0.003, 0.016) * width))
    crosses, lean = r.random() < 0.7, r.uniform(0, np.pi)
    for _ in range(int(r.integers(1, 9))):
        middle = np.array([r.random() * width, r.random() * height])
        for angle in (lean, lean + np.pi / 2)[: 2 if crosses else 1]:
            arm = reach * np.array([np.cos(angle), np.sin(angle)])
            first, last = (np.round((middle + s * arm) * 16).astype(int) for s in (-1, 1))
            cv2.line(mask, first.tolist(), last.tolist(), 255, thick, cv2.LINE_AA, 4)
    kind = r.random()
    if kind < 0.5:
        return _painted(light, mask, light * np.float32(2 ** r.uniform(-1.5, 1)))
    color = np.full(3, 2 ** r.uniform(-5, 0)) if kind < 0.8 else r.random(3) ** 2
    return _painted(light, mask, color.astype(np.float32))


def _ending(light: Picture, r: Random) -> tuple[Picture, NDArray[np.bool_]]:
    """A wall beside the screen at one side or both, and now and then a stand's pole at its end.

    Also where they are.
    """
    height, width = light.shape[:2]
    wall = np.array([1, 0.93, 0.85]) ** r.uniform(-1, 1.5) * 2 ** r.uniform(-6, -0.7)
    shade = _times(r.uniform(0, 0.6) * noise(r, (height, width), int(r.integers(2, 8))))
    mask: Codes = np.zeros((height, width), np.uint8)
    pole: Codes = np.zeros((height, width), np.uint8)
    thick, stand = max(1, round(r.uniform(0.004, 0.02) * width)), r.random() < 0.35
    only = int(r.choice(3, p=[0.4, 0.4, 0.2]))
    for left in [(True,), (False,), (True, False)][only]:
        high = r.uniform(0.02, 0.22)
        low = np.clip(high + 0.03 * r.normal(), 0.01, 0.25)
        outline = np.array([[0, 0], [high, 0], [low, 1], [0, 1]])
        if not left:
            outline = outline * (-1, 1) + (1, 0)
        where = np.round(outline * (width, height) * 16).astype(np.int32)
        cv2.fillPoly(mask, [where], 255, cv2.LINE_AA, 4)
        if stand:
            cv2.line(pole, where[1].tolist(), where[2].tolist(), 255, thick, cv2.LINE_AA, 4)
    out = _painted(light, mask, wall.astype(np.float32) * shade)
    out = _painted(out, pole, np.full(3, 2 ** r.uniform(-6, -1), np.float32))
    return out, np.maximum(mask, pole) > 0


def shadow(alpha: Picture, floor: float | None, r: Random) -> Picture:
    """How much of its light the backdrop keeps beside a subject, (H, W, 1).

    Args:
        alpha: (H, W) the subject's.
        floor: the row from which on the backdrop lies flat, if it does.
        r: randomness.
    """
    height = alpha.shape[0]
    across, down = r.uniform(-0.08, 0.08, 2) * max(alpha.shape)
    wide, depth = r.uniform(0.004, 0.04) * height, r.uniform(0.05, 0.6)
    keep = 1 - depth * _soft(alpha, [[1, 0, across], [0, 1, abs(down)]], wide)
    feet = np.flatnonzero((alpha > 0.5).any(1))
    if floor is not None and len(feet):
        # Laid down from the feet: flat, sheared away from the lamp.
        flat, lean, at = r.uniform(-0.4, 0.4), r.uniform(-0.8, 0.8), float(feet[-1])
        lying = _soft(alpha, [[1, lean, -lean * at], [0, flat, at - flat * at]], wide / 2)
        y = np.arange(height, dtype=np.float32)[:, None]
        keep = keep * (1 - r.uniform(0.1, 0.6) * lying * np.clip((y - floor) / 8, 0, 1))
    out: Picture = keep[..., None].astype(np.float32)
    return out


def _soft(alpha: Picture, matrix: list[list[float]], sigma: float) -> Picture:
    """Moved and blurred: coarsely where that is enough, since wide blurs are dear."""
    height, width = alpha.shape
    moved = cv2.warpAffine(alpha, np.array(matrix, np.float32), (width, height))
    less = 4 if sigma > 8 else 1
    small = cv2.resize(moved, (width // less, height // less), interpolation=cv2.INTER_AREA)
    wide = cv2.resize(cv2.GaussianBlur(small, (0, 0), sigma / less), (width, height))
    return np.asarray(wide, np.float32)
