"""Clips and templates for the tests of films, written by the media library."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import av
import numpy as np
from av.video.stream import VideoStream
from numpy.typing import NDArray
from PIL import Image

from tests.stream.template.building import PICTURE, SLOT, folder_of

# Codec, pixel format, ending and options of every form of alpha that can be written here.
ALPHA_FORMS = {
    "QuickTime RLE": ("qtrle", "argb", ".mov", {}),
    "ProRes 4444": ("prores_ks", "yuva444p10le", ".mov", {"profile": "4444", "qscale": "1"}),
    "FFV1 of RGB": ("ffv1", "bgra", ".mkv", {}),
    "FFV1 of Y'CbCr": ("ffv1", "yuva444p", ".mkv", {}),
    "FFV1 at 16 bits": ("ffv1", "yuva444p16le", ".mkv", {}),
    "PNG": ("png", "rgba", ".mov", {}),
    "PNG at 16 bits": ("png", "rgba64be", ".mov", {}),
    "VP9": ("libvpx-vp9", "yuva420p", ".webm", {"lossless": "1"}),
    "VP8": ("vp8", "yuva420p", ".webm", {"auto-alt-ref": "0", "crf": "4", "b": "4M"}),
}


def write_clip(
    path: Path,
    pictures: list[NDArray[np.uint8]],
    codec: str = "ffv1",
    pixel: str = "bgra",
    options: dict[str, str] | None = None,
    times: list[int] | None = None,
    base: Fraction = Fraction(1, 25),
    rate: Fraction = Fraction(25),
    tags: tuple[int, int] | None = None,
) -> Path:
    """A clip of (H, W, 4) pictures; RGB is brought to Y'CbCr of BT.709, narrow, exactly rounded.

    Args:
        path: of the clip.
        pictures: R, G, B, alpha; straight or premultiplied as the caller has them.
        codec, pixel, options: of the encoder.
        times: of each, in ``base``; None: one after the other.
        base: seconds a tick.
        rate: that the stream says.
        tags: matrix and range as H.273 numbers them.
    """
    # Without a tag so small a clip would be read as BT.601.
    tags = (1, 1) if tags is None and pixel.startswith("yuv") else tags
    with av.open(str(path), "w") as container:
        stream = container.add_stream(codec, rate=rate, options=options or {})
        assert isinstance(stream, VideoStream)
        high, wide = pictures[0].shape[:2]
        stream.width, stream.height, stream.pix_fmt = wide, high, pixel
        stream.time_base = base
        stream.codec_context.time_base = base
        if tags is not None:
            stream.codec_context.colorspace, stream.codec_context.color_range = tags
        for i, picture in enumerate(pictures):
            # A stream of VP8 has no colour tag; so small a one is BT.601.
            frame = _frame(picture, pixel, (0.299, 0.114) if codec == "vp8" else (0.2126, 0.0722))
            if tags is not None:
                frame.colorspace, frame.color_range = tags
            frame.pts, frame.time_base = (i if times is None else times[i]), base
            container.mux(stream.encode(frame))
        container.mux(stream.encode(None))
    return path


def _frame(picture: NDArray[np.uint8], pixel: str, weights: tuple[float, float]) -> av.VideoFrame:
    """A frame of a pixel format; planes of Y'CbCr are worked out here, not by a library."""
    if not pixel.startswith("yuv"):
        plain = av.VideoFrame.from_ndarray(np.ascontiguousarray(picture), "rgba")
        return plain if pixel == "rgba" else plain.reformat(format=pixel, threads=1)
    depth = 16 if "16" in pixel else 10 if "10" in pixel else 8
    unit = float(1 << (depth - 8))
    rgb = picture[..., :3].astype(np.float64) / 255
    # ITU-R BT.709-6 and BT.601-7: luma weights and narrow-range levels.
    kr, kb = weights
    y = rgb @ np.array([kr, 1 - kr - kb, kb])
    cb, cr = (rgb[..., 2] - y) / (2 * (1 - kb)), (rgb[..., 0] - y) / (2 * (1 - kr))
    if "420" in pixel:
        cb, cr = (c.reshape(c.shape[0] // 2, 2, c.shape[1] // 2, 2).mean((1, 3)) for c in (cb, cr))
    planes = [16 + 219 * y, 128 + 224 * cb, 128 + 224 * cr]
    planes = [p * unit for p in planes]
    if pixel.startswith("yuva"):
        planes.append(picture[..., 3].astype(np.float64) / 255 * ((1 << depth) - 1))
    kind = np.uint8 if depth == 8 else np.uint16
    frame = av.VideoFrame(picture.shape[1], picture.shape[0], pixel)
    for plane, values in zip(frame.planes, planes, strict=True):
        size = kind(0).itemsize
        rows = np.zeros((plane.height, plane.line_size // size), kind)
        rows[:, : plane.width] = np.rint(values).astype(kind)
        plane.update(rows.tobytes())
    frame.colorspace, frame.color_range = 1, 1
    return frame


def patches(high: int = 32, wide: int = 48, step: int = 0) -> NDArray[np.uint8]:
    """Four patches of colour in four amounts of alpha; ``step`` tells one picture from the next."""
    out = np.zeros((high, wide, 4), np.uint8)
    colors = [(200, 60, 40), (40, 180, 90), (60, 80, 220), (230, 210, 120)]
    alphas = [255, 128, 64, 200]
    for i, (color, alpha) in enumerate(zip(colors, alphas, strict=True)):
        out[:, i * wide // 4 : (i + 1) * wide // 4] = (*color, alpha)
    out[..., 0] = np.clip(out[..., 0].astype(int) - 12 * step, 0, 255)
    return out


def numbered(count: int, size: tuple[int, int] = (32, 48)) -> list[NDArray[np.uint8]]:
    """Opaque greys that tell their own number: 10, 20, 30 and so on."""
    return [np.full((*size, 4), (10 * (i + 1),) * 3 + (255,), np.uint8) for i in range(count)]


FILM_SLOT = SLOT + "box = [0, 0, 80, 110]\n"
NAME = '[[text]]\nvalue = "{name}"\nabove = "frame"\nbox = [4, 70, 72, 24]\nsize = 20\nleast = 12\n'


def film_folder(path: Path, film: str = "", files: dict[str, Image.Image] | None = None) -> Path:
    """A small template with a film part."""
    return folder_of(path, PICTURE + FILM_SLOT + NAME + film, files)
