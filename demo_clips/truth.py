"""What the demo clips are composed of, so that a finished matte can be held to the known one.

A clip starts with ``CLEAN_FRAMES`` of the empty screen, then plays the loop of 40 rendered frames
again and again: C = a F + (1 - a) B in linear light, a the alpha that `alpha` returns.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import av
import cv2
import numpy as np
from numpy.typing import NDArray

from demo_clips.paint import Array
from demo_clips.scenario import SUBJECT

FPS = 30
CLEAN_FRAMES = 30
LOOP_FRAMES = 40
FRAMES = 390


@dataclass(frozen=True)
class View:
    """How a clip looks at the loop: a point x of the loop lands at ``dx + scale * x``, edges.

    Attributes:
        size: (H, W) of the upright frame.
        scale: enlargement of the loop.
        dx: pixels.
        dy: pixels.
    """

    size: tuple[int, int]
    scale: float = 1.0
    dx: float = 0.0
    dy: float = 0.0

    def look(self, image: Array, border: int = cv2.BORDER_REPLICATE) -> Array:
        """The loop's picture (720, 1280[, C]) as this view sees it."""
        if self.scale == 1 and self.dx == self.dy == 0 and image.shape[:2] == self.size:
            return image
        middle = (self.scale - 1) / 2  # the same map for pixel centres
        move = np.array(
            [[self.scale, 0, self.dx + middle], [0, self.scale, self.dy + middle]], np.float32
        )
        size = (self.size[1], self.size[0])
        seen = cv2.warpAffine(image, move, size, flags=cv2.INTER_CUBIC, borderMode=border)
        return np.clip(seen, 0, 1)


LANDSCAPE = View((720, 1280))
# chosen: the subject fills the upright frame, its foot on the lower edge, both hands mostly seen.
PORTRAIT = View((1280, 720), 1.4, 294 - 640 * 1.4, 1280 - 720 * 1.4)


def linear(encoded: Array) -> Array:
    """sRGB to linear light (IEC 61966-2-1)."""
    high = ((encoded + 0.055) / 1.055) ** 2.4
    return np.where(encoded <= 0.04045, encoded / 12.92, high).astype(np.float32)


@cache
def _loop() -> tuple[NDArray[np.uint16], NDArray[np.uint8]]:
    with av.open(str(SUBJECT / "loop_alpha.mkv")) as film:
        alphas = np.stack([f.to_ndarray() for f in film.decode(video=0)])
    with av.open(str(SUBJECT / "loop_fg.mkv")) as film:
        colours = np.stack([f.to_ndarray(format="rgb24") for f in film.decode(video=0)])
    return alphas.astype(np.uint16), colours.astype(np.uint8)


@cache
def _screens() -> tuple[NDArray[np.float16], NDArray[np.float16]]:
    with np.load(SUBJECT / "loop_screen.npz") as stored:
        return stored["B"], stored["B0"]


def loop_frame(frame: int) -> int | None:
    """Which frame of the loop a clip's frame shows; None: the empty screen."""
    if frame < 0:
        raise ValueError(f"clip frame: got {frame}; need 0 or more")
    return None if frame < CLEAN_FRAMES else (frame - CLEAN_FRAMES) % LOOP_FRAMES


def alpha(frame: int, view: View = LANDSCAPE) -> Array:
    """The true alpha of a clip's frame.

    Args:
        frame: number from 0.
        view: which clip.

    Returns:
        (H, W) float32, upright, coverage in [0, 1].
    """
    index = loop_frame(frame)
    if index is None:
        return np.zeros(view.size, np.float32)
    return view.look(_loop()[0][index].astype(np.float32) / np.float32(65535))


def foreground_pm(frame: int, view: View = LANDSCAPE) -> Array:
    """The true subject of a clip's frame, the screen's spill still in it.

    Returns:
        (H, W, 3) float32, upright, linear Rec.709, premultiplied by `alpha`.
    """
    index = loop_frame(frame)
    if index is None:
        return np.zeros((*view.size, 3), np.float32)
    cover = _loop()[0][index].astype(np.float32) / np.float32(65535)
    straight = linear(_loop()[1][index].astype(np.float32) / np.float32(255))
    return view.look(straight * cover[..., None])


def screen(frame: int, view: View = LANDSCAPE) -> Array:
    """The screen behind the subject of a clip's frame, the subject's shadow on it.

    Returns:
        (H, W, 3) float32, upright, linear Rec.709.
    """
    index = loop_frame(frame)
    shadowed, empty = _screens()
    small = (empty if index is None else shadowed[index]).astype(np.float32)
    full = cv2.resize(small, (1280, 720), interpolation=cv2.INTER_CUBIC)
    # Above the loop's upper edge the screen goes on, darker again as lights fall off.
    return np.clip(view.look(np.clip(full, 0, 1), cv2.BORDER_REFLECT), 0, 1)


def composed(frame: int, view: View = LANDSCAPE) -> Array:
    """A clip's frame before noise and coding: (H, W, 3) float32, upright, linear Rec.709."""
    cover = alpha(frame, view)[..., None]
    frame_light: Array = foreground_pm(frame, view) + (1 - cover) * screen(frame, view)
    return frame_light
