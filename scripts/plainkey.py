"""The plainest colour-difference key and over, in NumPy and OpenCV: what the keyer is measured by.

One screen colour for the whole picture, alpha by the difference of its channel and the larger of
the other two, spill limited to that larger one, over in linear light. It knows no plate, no uneven
light, no noise and no core: it is the least that does the job at all, not a rival.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

Pixels = NDArray[np.uint8]
Floats = NDArray[np.float32]

_CODES = np.arange(256, dtype=np.float32) / 255
# IEC 61966-2-1, the sRGB curve and its inverse, as tables: 8 bits in, 12 bits out.
TO_LINEAR = np.where(_CODES <= 0.04045, _CODES / 12.92, ((_CODES + 0.055) / 1.055) ** 2.4).astype(
    np.float32
)
_FINE = np.arange(4096, dtype=np.float32) / 4095
TO_CODES = np.rint(
    255 * np.where(_FINE <= 0.0031308, 12.92 * _FINE, 1.055 * _FINE ** (1 / 2.4) - 0.055)
).astype(np.uint8)


def to_rgb(planes: tuple[Pixels, Pixels, Pixels], rgb: bool) -> Pixels:
    """(H, W, 3) R'G'B' of three planes: R', G', B' or Y', Cb, Cr with chroma at half size.

    OpenCV's matrix is BT.601, narrow range; colours are a little off for other material and the
    time is the same.
    """
    if rgb:
        return np.ascontiguousarray(cv2.merge(planes))
    flat = np.concatenate([p.reshape(-1) for p in planes])
    height, width = planes[0].shape
    stacked = flat.reshape(height * 3 // 2, width)
    return np.asarray(cv2.cvtColor(stacked, cv2.COLOR_YUV2RGB_I420), np.uint8)


def plain_key(rgb_enc: Pixels) -> tuple[Floats, Floats]:
    """Key a picture before a green screen.

    Args:
        rgb_enc: (H, W, 3) uint8, R'G'B'.

    Returns:
        (H, W, 3) float32, linear, straight, despilled; and alpha, (H, W) float32.
    """
    rgb = TO_LINEAR[rgb_enc]
    red, green, blue = cv2.split(rgb)
    others = cv2.max(red, blue)
    difference = cv2.subtract(green, others)
    screen = float(np.percentile(difference[::8, ::8], 90))
    alpha = 1 - np.clip(difference / max(screen, 1e-3), 0, 1)
    return cv2.merge([red, cv2.min(green, others), blue]).astype(np.float32, copy=False), alpha


def plain_over(fg: Floats, alpha: Floats, below: Floats) -> Pixels:
    """(H, W, 3) uint8 sRGB: the foreground over a linear, opaque background of the same size."""
    a = alpha[..., None]
    mixed = fg * a + below * (1 - a)
    return np.asarray(TO_CODES[np.clip(mixed * 4095 + 0.5, 0, 4095).astype(np.uint16)], np.uint8)
