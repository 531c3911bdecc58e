"""How a film's picture is coded: by the machine's own encoder where one works, else by software.

Sources: ITU-T H.264 (High profile, closed groups of pictures, colour and range in the VUI); ITU-T
H.273 (code points: 1 is BT.709 for primaries, transfer and matrix, range 1 is narrow).
"""

from __future__ import annotations

import errno
import os
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass, field
from fractions import Fraction
from pathlib import Path
from typing import Any, BinaryIO

import av
import numpy as np
from av.video.stream import VideoStream
from torch import Tensor

from models.color import Planes
from stream.errors import UserError

SOFTWARE = "libx264"
_BT709, _NARROW = 1, 1
_QUALITY = "18"
"""chosen: on a film of the demo event 99.9 % of the luma codes come back within 4 of 255 (16: 3,
20: 5, 23: 7), at 7.6 Mbit/s where somebody moves in front of a busy design (16: 9.1, 20: 6.2)."""
_DISK = (errno.ENOSPC, errno.EDQUOT, errno.EIO, errno.EFBIG, errno.EROFS, errno.EACCES)


class EncoderError(UserError):
    """No encoder can be used, or the one that was begun with failed."""


@dataclass(frozen=True)
class Coding:
    """An encoder with all that decides what it writes.

    Attributes:
        encoder: the media library's name of it.
        form: pixel format that it takes.
        options: its own.
        threads: how many it may use; for software they decide what is written.
        rate: bits a second, for encoders that know no constant quality; None for the others.
    """

    encoder: str
    form: str = "yuv420p"
    options: Mapping[str, str] = field(default_factory=dict)
    threads: int = 1
    rate: int | None = None

    def to_json(self) -> dict[str, Any]:
        """Plain values."""
        return {**asdict(self), "options": dict(self.options)}


_CLOSED = {"profile": "high", "bf": "2"}
HARDWARE: tuple[Coding, ...] = (
    Coding(
        "h264_nvenc",
        "yuv420p",
        {**_CLOSED, "preset": "p5", "rc": "vbr", "cq": "19", "b": "0", "forced-idr": "1"},
    ),
    Coding("h264_qsv", "nv12", {**_CLOSED, "preset": "slow", "global_quality": "19"}),
    Coding(
        "h264_amf",
        "nv12",
        {**_CLOSED, "quality": "quality", "rc": "cqp", "qp_i": "18", "qp_p": "20", "qp_b": "22"},
    ),
    Coding("h264_videotoolbox", "nv12", {"profile": "high"}, rate=16_000_000),
)
"""Tried in this order. Their options are from the media library's own descriptions; each is tried
on the machine before it is used (`stream.film.probe`)."""


def software(threads: int | None = None) -> Coding:
    """The encoder that is the same everywhere.

    Args:
        threads: None for as many as there are processors, 8 at most.
    """
    options = {
        "preset": "medium",
        "crf": _QUALITY,
        "profile": "high",
        # Without the bits' tree over macroblocks: it reads memory that nobody wrote, so that the
        # same pictures gave other bytes each time (seen on a heap full of used blocks).
        "x264-params": "chromaloc=0:open-gop=0:mbtree=0",
    }
    return Coding(SOFTWARE, "yuv420p", options, threads or min(os.cpu_count() or 1, 8))


def video_frame(planes: Planes | Sequence[Tensor], form: str) -> av.VideoFrame:
    """Planes as the media library takes them.

    Args:
        planes: three uint8 tensors on the CPU, chroma halved both ways.
        form: "yuv420p", or another that regroups the same codes.
    """
    height, width = planes[0].shape
    frame = av.VideoFrame(width, height, "yuv420p")
    for target, plane in zip(frame.planes, planes, strict=True):
        rows = np.frombuffer(memoryview(target), np.uint8).reshape(-1, target.line_size)
        rows[: plane.shape[0], : plane.shape[1]] = plane.numpy()
        # Encoders look beyond the edge where a side is no multiple of their blocks: what lies
        # there by chance would decide what they write.
        rows[: plane.shape[0], plane.shape[1] :] = rows[: plane.shape[0], plane.shape[1] - 1, None]
        rows[plane.shape[0] :] = rows[plane.shape[0] - 1]
    if form != "yuv420p":
        frame = frame.reformat(
            format=form, src_color_range=_NARROW, dst_color_range=_NARROW, threads=1
        )
    frame.colorspace, frame.color_range = _BT709, _NARROW
    return frame


def add_picture(
    container: av.container.OutputContainer,
    coding: Coding,
    size: tuple[int, int],
    rate: Fraction,
    group: int,
) -> VideoStream:
    """A stream for coded pictures in a container.

    Args:
        container: to write to.
        coding: how.
        size: (H, W), both even.
        rate: frames a second.
        group: most frames from one key frame to the next.
    """
    stream = container.add_stream(coding.encoder, rate=rate)
    if not isinstance(stream, VideoStream):
        raise ValueError(f"{coding.encoder} codes no pictures")
    stream.height, stream.width = size
    stream.pix_fmt = coding.form
    stream.time_base = 1 / rate
    context = stream.codec_context
    context.time_base = 1 / rate
    context.gop_size = group
    if coding.threads > 1:
        context.thread_count = coding.threads
    context.colorspace, context.color_range = _BT709, _NARROW
    context.color_primaries, context.color_trc = _BT709, _BT709
    if coding.rate is not None:
        stream.bit_rate = coding.rate
    stream.options = dict(coding.options)
    return stream


def write_piece(
    path: Path,
    coding: Coding,
    size: tuple[int, int],
    rate: Fraction,
    group: int,
    pictures: Iterable[Planes | Sequence[Tensor]],
) -> int:
    """Code pictures into a Matroska file of their own, whose first frame is a key frame.

    Args:
        path: must not exist yet.
        coding, size, rate, group: as in `add_picture`.
        pictures: planes, as `video_frame` takes them.

    Returns:
        How many there were.

    Raises:
        EncoderError: the encoder failed.
        OSError: the disk did not take it.
    """
    try:
        return code(f"file:{path}", coding, size, rate, group, pictures)
    except OSError as e:
        # The library's own errors count as the system's; only those of the disk are.
        if not isinstance(e, av.error.FFmpegError) or e.errno in _DISK:
            raise
        raise EncoderError(
            f"the encoder {coding.encoder} failed ({reason(e)}); render the take once more, and it "
            "is tried anew."
        ) from e
    except (av.error.FFmpegError, ValueError) as e:
        raise EncoderError(
            f"the encoder {coding.encoder} failed ({reason(e)}); render the take once more, and it "
            "is tried anew."
        ) from e


def reason(error: Exception) -> str:
    """What the media library says of an error, for people."""
    return str(getattr(error, "strerror", None) or error or type(error).__name__)


def code(
    target: str | BinaryIO,
    coding: Coding,
    size: tuple[int, int],
    rate: Fraction,
    group: int,
    pictures: Iterable[Planes | Sequence[Tensor]],
) -> int:
    """Code pictures as Matroska.

    Args:
        target: the media library's name of a file, or an open one.
        coding, size, rate, group, pictures: as of `write_piece`.

    Returns:
        How many there were.

    Raises:
        av.error.FFmpegError, OSError, ValueError: as the media library says it.
    """
    count = 0
    # Exact: without random numbers of the container, so that the same film is the same file.
    with av.open(target, "w", format="matroska", options={"fflags": "+bitexact"}) as to:
        stream = add_picture(to, coding, size, rate, group)
        for planes in pictures:
            frame = video_frame(planes, coding.form)
            frame.pts, frame.time_base = count, 1 / rate
            to.mux(stream.encode(frame))
            count += 1
        to.mux(stream.encode(None))
    return count
