"""ICC profiles, and colours from one to another at 8 or 16 bits a channel.

What templates (to sRGB) and prints (from sRGB) have in common; each keeps its own direction.

Source: ICC.1:2022 for what a profile is (the date stands in header bytes 24 to 35). Little CMS does
the conversion, through imagecodecs, since Pillow's way to it knows 8 bits alone.
"""

from __future__ import annotations

import io
import struct
from functools import cache

import imagecodecs
import numpy as np
from numpy.typing import NDArray
from PIL import ImageCms

Pixels = NDArray[np.uint8] | NDArray[np.uint16]

INTENTS = ("perceptual", "relative", "saturation", "absolute")
"""The four of ICC.1, by their number; relative and absolute are colorimetric."""
# What reading a profile raises where it is damaged.
DAMAGE = (OSError, ImageCms.PyCMSError, ValueError)
_BLACK_POINT = int(imagecodecs.CMS.FLAGS.BLACKPOINTCOMPENSATION)
_EXACT = int(ImageCms.Flags.NOOPTIMIZE)


class ProfileError(Exception):
    """A profile that cannot be used, and why."""


@cache
def srgb_profile() -> bytes:
    """The sRGB profile (IEC 61966-2-1), dated so that the same picture is always the same file."""
    data = bytearray(ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes())
    data[24:36] = struct.pack(">6H", 2000, 1, 1, 0, 0, 0)
    return bytes(data)


def eight_bits(codes: NDArray[np.generic]) -> NDArray[np.uint8]:
    """16-bit codes, (H, W, C), rounded to 8 bits."""
    return ((codes.astype(np.uint32) * 255 + 32767) // 65535).astype(np.uint8)


def opened(data: bytes) -> ImageCms.ImageCmsProfile:
    """A profile as Pillow has it.

    Args:
        data: the whole file.

    Raises:
        ProfileError: it is damaged.
    """
    try:
        return ImageCms.ImageCmsProfile(io.BytesIO(data))
    except DAMAGE as e:
        raise ProfileError(str(e)) from e


def converted(
    pixels: Pixels,
    source: tuple[bytes, str],
    target: tuple[bytes, str],
    *,
    intent: str = "relative",
    black_point: bool = True,
    exact: bool = False,
) -> Pixels:
    """Colours of one profile in another.

    Args:
        pixels: (H, W, C) uint8 or uint16; of ink 0 is none and full is all.
        source: profile and space ("gray", "rgb" or "cmyk") of ``pixels``.
        target: profile and space wanted.
        intent: one of `INTENTS`.
        black_point: map the darkest colour of one onto that of the other.
        exact: without the library's precomputed table.

    Returns:
        (H, W, channels of the target), of the same type.

    Raises:
        ProfileError: a profile is damaged, or leads nowhere for this intent.
    """
    # The library takes grey without an axis for its one channel.
    given = pixels[:, :, 0] if source[1] == "gray" else pixels
    try:
        done: Pixels = imagecodecs.cms_transform(
            np.ascontiguousarray(given),
            source[0],
            target[0],
            colorspace=source[1],
            outcolorspace=target[1],
            outdtype=pixels.dtype.name,
            intent=INTENTS.index(intent),
            flags=(_BLACK_POINT if black_point else 0) | (_EXACT if exact else 0),
        )
    except (imagecodecs.CmsError, RuntimeError, ValueError, TypeError) as e:
        raise ProfileError(str(e)) from e
    return done.reshape(*pixels.shape[:2], -1)
