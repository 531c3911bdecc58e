"""A clip inside a template: read packet by packet, its colours and its alpha as planes.

Alpha: Matroska and WebM keep that of VP8 and VP9 as a second stream beside each picture
(BlockAdditional, marked by ``alpha_mode``), which only libvpx's own decoders read. Everywhere else
it is part of the pixel format. It is full range in all of them, whatever the luma's range.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from fractions import Fraction
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING, cast

import av
import numpy as np
import torch
from av.stream import Disposition
from torch import Tensor

from models.color import Encoding, Planes, Range
from stream.capture.decoder import display_matrix
from stream.capture.errors import SourceError
from stream.capture.orientation import from_display_matrix
from stream.capture.planes import kind_of, planes_of
from stream.capture.tags import StreamTags, range_of, resolve
from stream.errors import UserError

if TYPE_CHECKING:
    from av.container import InputContainer
    from av.video.codeccontext import VideoCodecContext
    from av.video.stream import VideoStream

ENDINGS = (".mov", ".mp4", ".m4v", ".mkv", ".webm", ".avi")
_WITH_ALPHA = {"vp8": "libvpx", "vp9": "libvpx-vp9"}
# chosen: more frames than any loop or take has; their times are kept.
_MOST_FRAMES = 200_000
_MOST_SIDE = 8192


@dataclass(frozen=True)
class ClipFacts:
    """What a clip is, told by its packets and its first frame.

    Attributes:
        size: (H, W) upright.
        times_s: when each frame is shown, from 0, rising.
        length_s: until the end of the last frame.
        alpha: whether it carries any.
        codec: name of what reads it.
        notes: what is worth knowing, a sentence each.
    """

    size: tuple[int, int]
    times_s: tuple[float, ...]
    length_s: float
    alpha: bool
    codec: str
    notes: tuple[str, ...] = ()


@dataclass(frozen=True)
class ClipFrame:
    """One frame, as it lies in the clip.

    Attributes:
        planes: Y', Cb, Cr or R', G', B', (H, W) integers.
        encoding: how to read them.
        alpha: (H, W) uint8, or int32 with ``alpha_depth`` bits; None where the clip has none.
        alpha_depth: bits a sample.
        quarter_turns: clockwise, that make it upright.
        mirror: left and right are exchanged first.
    """

    planes: Planes
    encoding: Encoding
    alpha: Tensor | None
    alpha_depth: int
    quarter_turns: int
    mirror: bool


def _has_alpha(pixel: av.VideoFormat) -> bool:
    return pixel.name == "pal8" or any(c.is_alpha for c in pixel.components)


def _alpha_of(frame: av.VideoFrame) -> tuple[Tensor | None, int]:
    """The alpha plane in memory of its own, and its bits."""
    pixel = frame.format
    if not _has_alpha(pixel):
        return None, 8
    depth = next((c.bits for c in pixel.components if c.is_alpha), 8)  # a palette has 8
    planar = pixel.name.startswith(("yuva", "gbrap")) and not pixel.name.endswith("be")
    if not planar:
        target = "gbrap" if depth == 8 else "gbrap16le"
        # One thread, as in `stream.capture.planes`.
        frame = frame.reformat(format=target, threads=1)
        depth = 8 if depth == 8 else 16
    view = np.from_dlpack(frame.planes[3])
    kind = np.uint8 if view.dtype == np.uint8 else np.int32
    return torch.from_numpy(view.astype(kind, order="C")), depth


def clip_frame(frame: av.VideoFrame, codec: str) -> tuple[ClipFrame, tuple[str, ...]]:
    """A decoded frame with everything resolved, and remarks, a sentence each.

    Raises:
        SourceError: a pixel format or colour that cannot be read.
    """
    kind = kind_of(frame.format)
    said = {1: False, 2: True}.get(frame.color_range)
    # A graphics program means what the screen showed: RGB formats never say which curve that was.
    transfer, matrix = frame.color_trc, frame.colorspace
    tags = StreamTags(matrix, said, transfer, frame.color_primaries, codec, frame.height)
    encoding, remarks = resolve(tags, kind)
    full = range_of(tags, kind.rgb, kind.full_by_name) is Range.FULL
    alpha, depth = _alpha_of(frame)
    shown = display_matrix(frame)
    mirror, turns, _ = (False, 0, True) if shown is None else from_display_matrix(shown)
    planes = planes_of(frame, full)[0]
    return ClipFrame(planes, encoding, alpha, depth, turns, mirror), remarks


class ClipFile:
    """An opened clip, read from its beginning on; used by one thread."""

    def __init__(self, path: Path, name: str) -> None:
        """Open it.

        Args:
            path: the file.
            name: as the template calls it, for messages.

        Raises:
            UserError: it cannot be opened or holds no picture.
        """
        self.name = name
        try:
            # The prefix and the list as in `stream.capture.clip`: no address, no playlist.
            self._input: InputContainer = av.open(
                f"file:{path}", options={"protocol_whitelist": "file"}
            )
        except (av.error.FFmpegError, OSError, ValueError) as e:
            text = getattr(e, "strerror", None) or str(e)
            raise UserError(
                f'the clip "{name}" cannot be read ({text}); save it again, as MOV, MP4, MKV or '
                "WebM"
            ) from e
        streams = [
            s
            for s in self._input.streams.video
            if not s.disposition & Disposition.attached_pic and s.codec_context is not None
        ]
        if not streams:
            self._input.close()
            raise UserError(f'the clip "{name}" holds no picture; need a video')
        self.stream: VideoStream = streams[0]
        self.codec = self.stream.codec_context.name
        self._own: VideoCodecContext | None = None
        if self.stream.metadata.get("alpha_mode") == "1" and self.codec in _WITH_ALPHA:
            self._own = self._with_alpha()

    def _with_alpha(self) -> VideoCodecContext | None:
        """The decoder that reads the second stream, too."""
        name = _WITH_ALPHA[self.codec]
        try:
            made = av.CodecContext.create(name, "r")
        except (av.error.FFmpegError, ValueError) as e:
            raise UserError(
                f'the clip "{self.name}" has alpha that this computer\'s media library cannot '
                f"read (it lacks {name}); save it as ProRes 4444 or as PNG in MOV"
            ) from e
        extra = self.stream.codec_context.extradata
        if extra:
            made.extradata = extra
        return cast("VideoCodecContext", made)

    def __enter__(self) -> ClipFile:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Let go of the file."""
        self._input.close()

    def packets(self) -> Iterator[av.Packet[VideoStream]]:
        """What the file holds; damaged pieces are left out.

        Raises:
            UserError: reading failed.
        """
        try:
            yield from self._input.demux(self.stream)
        except av.error.InvalidDataError:
            return  # what came before it is shown
        except (av.error.FFmpegError, OSError) as e:
            raise UserError(f'the clip "{self.name}" cannot be read ({e}); copy it again') from e

    def frames(self) -> Iterator[av.VideoFrame]:
        """Decoded frames in the order of their times."""
        decode: Callable[[av.Packet[VideoStream]], list[av.VideoFrame]] = (
            (lambda p: p.decode()) if self._own is None else self._own.decode
        )
        for packet in self.packets():
            try:
                decoded = decode(packet)
            except av.error.InvalidDataError:
                continue
            except av.error.EOFError:
                return
            yield from decoded

    def second(self, pts: int, first: int) -> float:
        """Seconds of a time of the stream after another one."""
        base = self.stream.time_base or Fraction(1, 90_000)
        return float((pts - first) * base)


def probe_clip(path: Path, name: str) -> tuple[ClipFacts, ClipFrame]:
    """Look at all packets of a clip and decode its first frame.

    Args:
        path: the file.
        name: as the template calls it.

    Raises:
        UserError: it cannot be used.
    """
    with ClipFile(path, name) as clip:
        at: list[tuple[int, int]] = []
        for packet in clip.packets():
            if packet.size and packet.pts is not None:
                at.append((packet.pts, packet.duration or 0))
            elif packet.size:
                raise UserError(
                    f'the clip "{name}" does not say when its pictures are shown; save it as MOV, '
                    "MP4, MKV or WebM"
                )
            if len(at) > _MOST_FRAMES:
                raise UserError(f'the clip "{name}" has more than {_MOST_FRAMES} pictures')
    at = sorted({pts: (pts, ticks) for pts, ticks in at}.values())
    with ClipFile(path, name) as clip:
        try:
            frame = next(clip.frames(), None)
            if frame is None or not at:
                raise UserError(f'the clip "{name}" holds no picture that can be read')
            first, remarks = clip_frame(frame, clip.codec)
        except SourceError as e:
            raise UserError(f'the clip "{name}": {e}') from e
        times = tuple(clip.second(pts, at[0][0]) for pts, _ in at)
        tail = clip.second(at[-1][1], 0)
        steps = [b - a for a, b in pairwise(times)]
        usual = sorted(steps)[len(steps) // 2] if steps else 0.04
        length = times[-1] + (tail if 0 < tail < 4 * usual else usual)
        high, wide = (int(n) for n in first.planes[0].shape)
        if max(high, wide) > _MOST_SIDE:
            raise UserError(
                f'the clip "{name}" is {wide} x {high} pixels; at most {_MOST_SIDE} a side'
            )
        size = (wide, high) if first.quarter_turns % 2 else (high, wide)
        notes = tuple(f'the clip "{name}": {r}' for r in remarks)
        if frame.interlaced_frame:
            notes += (f'the clip "{name}" is interlaced and will show combs; save it progressive',)
        return ClipFacts(size, times, length, first.alpha is not None, clip.codec, notes), first
