"""Pixel formats: regrouping returns every code value; the expected values are packed by hand."""

from __future__ import annotations

import av
import numpy as np
import pytest
import torch
from numpy.typing import NDArray

from stream.capture.errors import SourceError
from stream.capture.planes import kind_of, planar_format, planes_of

WIDTH, HEIGHT = 18, 6


def packed(pixel: str) -> tuple[av.VideoFrame, list[NDArray[np.uint8]]]:
    """A frame of random bytes, and the lines of its planes."""
    frame = av.VideoFrame(WIDTH, HEIGHT, pixel)
    generator = np.random.default_rng(1)
    lines = []
    for plane in frame.planes:
        data = generator.integers(0, 256, plane.buffer_size, dtype=np.uint8)
        plane.update(data.tobytes())
        lines.append(data.reshape(-1, plane.line_size or data.size))  # a palette has no lines
    return frame, lines


HALF = WIDTH // 2
# Layouts of the pixel formats, as the V4L2 and FFmpeg documents define them.
LAYOUTS = {
    "yuyv422": lambda p: (p[0][:, 0 : 2 * WIDTH : 2], p[0][:, 1::4], p[0][:, 3::4]),
    "uyvy422": lambda p: (p[0][:, 1 : 2 * WIDTH : 2], p[0][:, 0::4], p[0][:, 2::4]),
    "nv12": lambda p: (p[0], p[1][:, 0::2], p[1][:, 1::2]),
    "nv21": lambda p: (p[0], p[1][:, 1::2], p[1][:, 0::2]),
    "bgr0": lambda p: (p[0][:, 2::4], p[0][:, 1::4], p[0][:, 0::4]),
    "rgb24": lambda p: (p[0][:, 0::3], p[0][:, 1::3], p[0][:, 2::3]),
    "yuva420p": lambda p: (p[0], p[1], p[2]),
}


@pytest.mark.parametrize("full_range", [False, True])
@pytest.mark.parametrize("pixel", list(LAYOUTS))
def test_every_code_value_survives(pixel: str, full_range: bool) -> None:
    frame, lines = packed(pixel)
    planes, kind = planes_of(frame, full_range)
    for got, want in zip(planes, LAYOUTS[pixel](lines), strict=True):
        rows, columns = got.shape
        assert np.array_equal(got.numpy(), want[:rows, :columns])
    small = planes[1].shape != planes[0].shape
    assert small == kind.subsampled == (not kind.rgb)


def test_ten_bit_semi_planar_and_big_endian() -> None:
    frame, lines = packed("p010le")
    planes, kind = planes_of(frame, False)
    want = lines[0].view("<u2")[:HEIGHT, :WIDTH] >> 6
    assert kind.depth == 10
    assert planes[0].dtype is torch.int32
    assert np.array_equal(planes[0].numpy(), want)
    frame, lines = packed("gray16be")
    planes, kind = planes_of(frame, True)
    assert np.array_equal(planes[0].numpy(), lines[0].view(">u2")[:HEIGHT, :WIDTH])


def test_grey_gets_chroma_of_no_colour_and_keeps_its_range() -> None:
    frame, lines = packed("gray")
    planes, kind = planes_of(frame, False)
    assert kind.grey
    assert np.array_equal(planes[0].numpy(), lines[0][:, :WIDTH])
    assert planes[1].shape == (HEIGHT // 2, HALF)
    assert bool((planes[1] == 128).all() and (planes[2] == 128).all())


@pytest.mark.parametrize(
    ("pixel", "want"),
    [
        ("yuv420p", "yuv420p"),
        ("yuvj422p", "yuvj422p"),
        ("yuv422p10le", "yuv422p10le"),
        ("yuv420p10be", "yuv420p10le"),
        ("nv12", "yuv420p"),
        ("y210le", "yuv422p10le"),
        ("yuv411p", "yuv422p"),
        ("yuv410p", "yuv420p"),
        ("yuv440p", "yuv444p"),
        ("pal8", "gbrp"),
        ("rgb48le", "gbrp16le"),
        ("x2rgb10le", "gbrp10le"),
        ("ya8", "gray"),
        ("bayer_rggb8", "gbrp"),
    ],
)
def test_nearest_planar_format(pixel: str, want: str) -> None:
    assert planar_format(av.VideoFormat(pixel)) == want
    planes, _ = planes_of(packed(pixel)[0], False)
    assert tuple(planes[0].shape) == (HEIGHT, WIDTH)


def test_what_is_no_picture_is_refused_in_a_sentence() -> None:
    with pytest.raises(SourceError, match="got xyz12le; need RGB"):
        kind_of(av.VideoFormat("xyz12le"))
