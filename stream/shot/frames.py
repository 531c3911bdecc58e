"""A frame as a file, losslessly: the same planes come back, bit for bit.

Sources: RFC 9043 (FFV1 version 3, slices with a CRC each), RFC 9559 (Matroska), ISO/IEC 15948
(PNG; its clause on sample depth scaling gives the left bit replication that is used here).
"""

from __future__ import annotations

import hashlib
import io
from collections.abc import Callable
from pathlib import Path
from typing import Any

import av
import numpy as np
import torch
from av.video.plane import VideoPlane
from numpy.typing import NDArray
from torch import Tensor

from models.color import Encoding, Matrix, Planes, Range, planes_to_rgb, turn
from models.planes import crop, unturned
from models.transfer import Transfer
from stream.errors import UserError
from stream.opencv import cv2

# ITU-T H.273 code points, written into the container for other programs; the record decides.
_SPACE = {Matrix.RGB: 0, Matrix.BT601: 6, Matrix.BT709: 1, Matrix.BT2020: 9}
_PRIMARIES = {Matrix.RGB: 1, Matrix.BT601: 6, Matrix.BT709: 1, Matrix.BT2020: 9}
_TRANSFER = {Transfer.BT709: 1, Transfer.SRGB: 13, Transfer.LINEAR: 8}
_SUBSAMPLING = {(1, 1): "444", (1, 2): "422", (2, 2): "420", (2, 1): "440"}
_DEEP = (9, 10, 12, 14, 16)
# Tried in turn: not every size can be cut into as many; "0" leaves it to the encoder.
SLICES = ("16", "9", "0")
VIEW_PIXELS = 640


class FrameFileError(UserError):
    """A stored frame cannot be written in this form or read back."""


def _divisor(whole: int, part: int) -> int:
    return 1 if part == whole else 2 if part == (whole + 1) // 2 else 0


def pixel_format(planes: Planes, depth: int) -> str:
    """Name of the media library's planar format for Y'CbCr planes.

    Raises:
        FrameFileError: planes of sizes or a depth that it has none for.
    """
    luma, chroma = planes[0].shape, planes[1].shape
    key = (_divisor(luma[0], chroma[0]), _divisor(luma[1], chroma[1]))
    if chroma != planes[2].shape or key not in _SUBSAMPLING:
        raise FrameFileError(
            f"this frame has planes of {[tuple(p.shape) for p in planes]}; chroma of full or "
            "half size is needed to store it."
        )
    if depth == 8:
        return f"yuv{_SUBSAMPLING[key]}p"
    if depth not in _DEEP:
        raise FrameFileError(f"this frame has {depth} bit; 8, 9, 10, 12, 14 or 16 can be stored.")
    return f"yuv{_SUBSAMPLING[key]}p{depth}le"


def plane_array(plane: Tensor, depth: int) -> NDArray[Any]:
    """A plane's code values as they are stored: uint8, or uint16 deeper than 8 bit."""
    array: NDArray[Any] = plane.contiguous().numpy()
    return array.astype(np.uint8 if depth == 8 else np.uint16, copy=False)


def fill_plane(target: VideoPlane, array: NDArray[Any]) -> None:
    """Copy rows into a plane whose lines are padded."""
    rows = np.frombuffer(memoryview(target), np.uint8).reshape(-1, target.line_size)
    width = array.shape[1] * array.itemsize
    rows[: array.shape[0], :width] = array.view(np.uint8).reshape(array.shape[0], width)


def _ffv1(planes: Planes, encoding: Encoding) -> bytes:
    height, width = planes[0].shape
    form = pixel_format(planes, encoding.depth)
    try:
        frame = av.VideoFrame(width, height, form)
    except ValueError as e:
        raise FrameFileError(f"a frame of the form {form} cannot be stored.") from e
    for target, plane in zip(frame.planes, planes, strict=True):
        fill_plane(target, plane_array(plane, encoding.depth))
    for slices in SLICES:
        try:
            return _muxed(frame, encoding, slices)
        except NotImplementedError:
            # The encoder's answer to a size that it cannot cut so; the last one asks it to choose.
            continue
    raise FrameFileError(f"a frame of {width} x {height} cannot be stored; use a larger one.")


def code_points(encoding: Encoding) -> dict[str, int]:
    """An encoding's tags, by the names that a stream to be encoded has for them."""
    return {
        "colorspace": _SPACE[encoding.matrix],
        "color_primaries": _PRIMARIES[encoding.matrix],
        "color_trc": _TRANSFER[encoding.transfer],
        "color_range": 1 if encoding.range is Range.NARROW else 2,
    }


def _muxed(frame: av.VideoFrame, encoding: Encoding, slices: str) -> bytes:
    out = io.BytesIO()
    with av.open(out, "w", format="matroska") as container:
        stream = container.add_stream("ffv1", rate=25)
        stream.width, stream.height, stream.pix_fmt = frame.width, frame.height, frame.format.name
        stream.options = {"level": "3", "slices": slices, "slicecrc": "1"}
        stream.codec_context.thread_type = "SLICE"
        for name, value in code_points(encoding).items():
            setattr(stream.codec_context, name, value)
        frame.pts = 0
        container.mux(stream.encode(frame))
        container.mux(stream.encode(None))
    return out.getvalue()


def _png(planes: Planes, encoding: Encoding) -> bytes:
    depth = encoding.depth
    layers = [plane_array(p, depth) for p in reversed(planes)]
    if depth > 8:
        # Spread over 16 bit, so that any program shows it right; the low bits repeat the high.
        layers = [(a << (16 - depth)) | (a >> (2 * depth - 16)) for a in layers]
    done, data = cv2.imencode(".png", np.dstack(layers), [cv2.IMWRITE_PNG_COMPRESSION, 1])
    if not done:
        raise FrameFileError("this frame could not be written as PNG.")
    return bytes(data)


def encode_frame(planes: Planes, encoding: Encoding) -> tuple[str, bytes]:
    """A frame's file name and content, lossless: PNG for R'G'B', else FFV1 in Matroska.

    Args:
        planes: three (H, W) tensors, uint8 at 8 bit, int32 deeper.
        encoding: their tags.

    Raises:
        FrameFileError: planes of sizes or a depth that no lossless form holds.
    """
    if encoding.matrix is Matrix.RGB:
        return "frame.png", _png(planes, encoding)
    return "frame.mkv", _ffv1(planes, encoding)


def _tensor(array: NDArray[Any], depth: int) -> Tensor:
    if depth == 8:
        return torch.from_numpy(np.array(array, np.uint8))
    return torch.from_numpy(array.astype(np.int32))


def _read_ffv1(path: Path, depth: int) -> Planes:
    with av.open(str(path)) as container:
        frame = next(container.decode(video=0))
    size = 1 if depth == 8 else 2
    if len(frame.planes) != 3 or frame.format.components[0].bits != depth:
        raise FrameFileError(
            f"{path} holds {frame.format.name}, but its record says {depth} bit in three planes; "
            "one of the two was exchanged."
        )
    planes = []
    for plane in frame.planes:
        rows = np.frombuffer(memoryview(plane), np.uint8).reshape(-1, plane.line_size)
        part = np.ascontiguousarray(rows[: plane.height, : plane.width * size])
        planes.append(_tensor(part.view(np.uint8 if size == 1 else "<u2"), depth))
    return planes[0], planes[1], planes[2]


def _read_png(path: Path, depth: int) -> Planes:
    data = np.frombuffer(path.read_bytes(), np.uint8)
    image: Any = cv2.imdecode(data, cv2.IMREAD_UNCHANGED) if data.size else None
    kind = np.uint8 if depth == 8 else np.uint16
    if image is None or image.ndim != 3 or image.shape[2] != 3 or image.dtype != kind:
        raise FrameFileError(f"{path} is damaged or no {depth} bit RGB picture.")
    if depth > 8:
        image = image >> (16 - depth)
    blue, green, red = (_tensor(np.ascontiguousarray(image[..., c]), depth) for c in range(3))
    return red, green, blue


def check_file(path: Path, sha256: str | None) -> None:
    """Refuse a file whose bytes are not those that were stored.

    Decoders conceal damage where they can, the slices' checksums notwithstanding.

    Raises:
        FrameFileError: the file is missing or not what it was.
    """
    try:
        with path.open("rb") as file:
            same = sha256 is None or hashlib.file_digest(file, "sha256").hexdigest() == sha256
    except OSError as e:
        raise FrameFileError(
            f"the stored frame {path} cannot be read ({e.strerror}); put the file back from a copy "
            "if you have one."
        ) from e
    if not same:
        raise FrameFileError(
            f"the stored frame {path} is damaged: it is not what was written (checksum); put the "
            "file back from a copy if you have one."
        )


def decode_frame(path: Path, encoding: Encoding) -> Planes:
    """The planes that `encode_frame` stored, bit for bit, in memory of their own.

    Raises:
        FrameFileError: the file is missing, cut short or of another kind.
    """
    try:
        if encoding.matrix is Matrix.RGB:
            return _read_png(path, encoding.depth)
        return _read_ffv1(path, encoding.depth)
    except (av.error.FFmpegError, OSError, StopIteration, IndexError, ValueError) as e:
        raise FrameFileError(
            f"the stored frame {path} cannot be read ({e or type(e).__name__}); put the file back "
            "from a copy if you have one."
        ) from e


Part = Callable[[tuple[int, int]], tuple[slice, slice]]
"""Rows and columns of an upright picture of (H, W)."""


def view_jpeg(
    planes: Planes, encoding: Encoding, quarter_turns: int, part: Part | None = None
) -> bytes:
    """A small upright JPEG of a frame, for people who open the folder.

    Args:
        planes: three (H, W) tensors.
        encoding: their tags.
        quarter_turns: clockwise turns that make them upright.
        part: what of it is shown; None: all.
    """
    if part is not None:
        height, width = planes[0].shape
        size = (width, height) if quarter_turns % 2 else (height, width)
        planes, _, _ = crop(planes, *unturned(*part(size), size, quarter_turns))
    step = max(1, max(planes[0].shape) // VIEW_PIXELS)
    # Every n-th sample of each plane: cheap, and the planes still belong together.
    few = (planes[0][::step, ::step], planes[1][::step, ::step], planes[2][::step, ::step])
    rgb = turn(planes_to_rgb(few, encoding), quarter_turns)[0]
    bgr = rgb.flip(0).mul(255).round_().to(torch.uint8).permute(1, 2, 0).contiguous().numpy()
    _, data = cv2.imencode(".jpg", bgr, [cv2.IMWRITE_JPEG_QUALITY, 85])
    return bytes(data)
