"""Makes small clips with known code values."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import av
import numpy as np
import torch
from numpy.typing import NDArray

# 75 % colour bars, 8 bit, narrow range, BT.709: SMPTE RP 219-1 (computed from BT.709-6 item 3).
BARS_709 = (
    (180, 128, 128),
    (168, 44, 136),
    (145, 147, 44),
    (133, 63, 52),
    (63, 193, 204),
    (51, 109, 212),
    (28, 212, 120),
    (16, 128, 128),
)


def bars(width: int, height: int, scale: int = 1) -> tuple[NDArray[np.uint16], ...]:
    """4:2:0 planes of the eight bars; ``scale`` 4 gives the 10-bit codes' neighbours."""
    stripe = np.arange(width) * 8 // width
    half = np.arange(width // 2) * 8 // (width // 2)
    table = np.array(BARS_709, np.uint16) * scale
    return (
        np.tile(table[stripe, 0], (height, 1)),
        np.tile(table[half, 1], (height // 2, 1)),
        np.tile(table[half, 2], (height // 2, 1)),
    )


def fill(frame: av.VideoFrame, planes: Sequence[NDArray[np.uint16]]) -> None:
    """Write planes into a planar frame, line by line."""
    for plane, values in zip(frame.planes, planes, strict=True):
        bytes_each = 1 if plane.line_size < 2 * values.shape[1] else 2
        kind = np.uint8 if bytes_each == 1 else np.dtype("<u2")
        lines = np.zeros((plane.height, plane.line_size // bytes_each), kind)
        lines[:, : values.shape[1]] = values
        plane.update(lines.tobytes())


def make_clip(
    path: Path,
    planes: Sequence[NDArray[np.uint16]] | None = None,
    *,
    codec: str = "libx264",
    pixel: str = "yuv420p",
    count: int = 10,
    rate: int = 25,
    size: tuple[int, int] = (64, 48),
    options: dict[str, str] | None = None,
    container: dict[str, str] | None = None,
    matrix: Sequence[int] | None = None,
    tags: dict[str, int] | None = None,
    noise: bool = False,
    metadata: dict[str, str] | None = None,
) -> Path:
    """Encode a clip: the given planes, noise, or a grey that grows brighter with each frame."""
    width, height = size
    generator = np.random.default_rng(5)
    with av.open(str(path), "w", options=container or {}) as out:
        out.metadata.update(metadata or {})
        stream = out.add_stream(codec, rate=rate, options=options or {})
        assert isinstance(stream, av.VideoStream)
        stream.width, stream.height, stream.pix_fmt = width, height, pixel
        for name, value in (tags or {}).items():
            setattr(stream.codec_context, name, value)
        if matrix is not None:
            stream.set_display_matrix(matrix)
        for i in range(count):
            frame = av.VideoFrame(width, height, pixel)
            if planes is not None:
                fill(frame, planes)
            else:
                for plane in frame.planes:
                    size_bytes = plane.buffer_size
                    data = (
                        generator.integers(0, 256, size_bytes, dtype=np.uint8).tobytes()
                        if noise
                        else bytes([20 + 10 * (i % 20)]) * size_bytes
                    )
                    plane.update(data)
            for name, value in (tags or {}).items():
                setattr(frame, name, value)
            frame.pts = i
            out.mux(stream.encode(frame))
        out.mux(stream.encode(None))
    return path


def same(tensor: torch.Tensor, values: NDArray[np.uint16]) -> bool:
    """Equal in shape and in every value."""
    return np.array_equal(tensor.numpy().astype(np.int64), values.astype(np.int64))
