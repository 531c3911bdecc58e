"""Decoded video frames to three planes: planar formats as they are, the others regrouped.

What is not planar (packed, semi-planar, palette, big-endian, quarter-size chroma) goes through
swscale once, with source and target range named alike, because swscale otherwise picks a range by
itself. Regrouping (yuyv422, nv12, bgr0 and their like) returns every code value unchanged.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import lru_cache

import av
import numpy as np
import torch
from av.video.plane import VideoPlane
from torch import Tensor

from models.color import Planes
from stream.capture.errors import SourceError

_DEPTHS = (8, 9, 10, 12, 14, 16)
_PLANAR = re.compile(
    r"(?:yuvj?(?:420|422|444)p|yuva(?:420|422|444)p|gbra?p|gray)(?:(?:9|10|12|14|16)le)?"
)


@dataclass(frozen=True)
class PixelKind:
    """What the code values are, apart from their colour tags.

    Attributes:
        rgb: R', G', B' rather than Y', Cb, Cr.
        grey: only luma was coded; the chroma planes are filled with "no colour".
        full_by_name: the pixel format itself says full range (the yuvj family).
        depth: bits a sample.
        subsampled: chroma is smaller than luma.
    """

    rgb: bool
    grey: bool
    full_by_name: bool
    depth: int
    subsampled: bool


def _depth(bits: int) -> int:
    return next((d for d in _DEPTHS if d >= bits), _DEPTHS[-1])


def _suffix(depth: int) -> str:
    return "" if depth == 8 else f"{depth}le"


def _colour_parts(pixel: av.VideoFormat) -> int:
    return sum(not c.is_alpha for c in pixel.components)


def kind_of(pixel: av.VideoFormat) -> PixelKind:
    """Describe a pixel format.

    Raises:
        SourceError: a format that holds no picture which this program can read.
    """
    return _kind(pixel.name)


@lru_cache(maxsize=64)
def _kind(name: str) -> PixelKind:
    pixel = av.VideoFormat(name)
    if not pixel.components or name.startswith("xyz"):
        raise SourceError(
            f"pixel format: got {name}; need RGB, grey or Y'CbCr; save or send it as one of these"
        )
    rgb = pixel.is_rgb or pixel.has_palette or pixel.is_bayer
    grey = not rgb and _colour_parts(pixel) == 1
    bits = 8 if pixel.is_bayer else max(c.bits for c in pixel.components if not c.is_alpha)
    small = pixel.chroma_width(64) < 64 or pixel.chroma_height(64) < 64
    return PixelKind(rgb, grey, name.startswith("yuvj"), _depth(bits), small and not (rgb or grey))


def planar_format(pixel: av.VideoFormat) -> str:
    """Name of the nearest planar, native-endian format: the same one where it is planar already."""
    if _PLANAR.fullmatch(pixel.name):
        return pixel.name
    kind = kind_of(pixel)
    if kind.rgb:
        return f"gbrp{_suffix(kind.depth)}"
    if kind.grey:
        return f"gray{_suffix(kind.depth)}"
    wide, high = pixel.chroma_width(64), pixel.chroma_height(64)
    # The nearest layout that models can read and that loses no chroma sample.
    layout = "444" if wide == 64 else "422" if high == 64 else "420"
    return f"yuv{layout}p{_suffix(kind.depth)}"


def _own(plane: VideoPlane) -> Tensor:
    """A copy without line padding: the decoder takes its memory back with the next frame.

    Copied by numpy, in this thread: torch shares a copy out among its threads, and the reader would
    wait for them behind the keyer (1080p on a busy machine: 40 ms a frame, this way 1).
    """
    view = np.from_dlpack(plane)
    return torch.from_numpy(
        view.astype(np.uint8 if view.dtype == np.uint8 else np.int32, order="C")
    )


def planes_of(frame: av.VideoFrame, full_range: bool) -> tuple[Planes, PixelKind]:
    """Three planes in memory of their own.

    Args:
        frame: decoded, in main memory.
        full_range: how its code values are to be read; kept as it is by a conversion.

    Returns:
        Y', Cb, Cr or R', G', B' planes (H, W), uint8 at 8 bit, int32 deeper; and what they are.

    Raises:
        SourceError: a pixel format that cannot be read.
    """
    kind = kind_of(frame.format)
    target = planar_format(frame.format)
    if target != frame.format.name:
        span = 2 if full_range else 1
        # One thread: swscale's slice threads race (p010 came back with grey lines once in some
        # hundred frames; FFmpeg 8.1).
        frame = frame.reformat(format=target, src_color_range=span, dst_color_range=span, threads=1)
    planes = frame.planes
    if kind.rgb:
        return (_own(planes[2]), _own(planes[0]), _own(planes[1])), kind
    luma = _own(planes[0])
    if kind.grey:
        half = ((luma.shape[0] + 1) // 2, (luma.shape[1] + 1) // 2)
        no_colour = torch.full(half, 1 << (kind.depth - 1), dtype=luma.dtype)
        return (luma, no_colour, no_colour.clone()), kind
    return (luma, _own(planes[1]), _own(planes[2])), kind
