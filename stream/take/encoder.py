"""A process that compresses frames for a take, at low priority; run by `stream.take.encoding`.

Reads from standard input one line of JSON, then frames: eight bytes of microseconds (big endian)
and the planes' code values, one plane after the other. Writes a Matroska stream to standard output.
When the input ends, so does the process; when nobody reads any more, too.
"""

from __future__ import annotations

import json
import os
import struct
import sys
from collections.abc import Iterator
from contextlib import suppress
from fractions import Fraction
from typing import BinaryIO

import av
import numpy as np
from av.container import OutputContainer
from av.packet import Packet
from av.video.stream import VideoStream

from models.color import Encoding
from stream.shot.frames import SLICES, fill_plane, tag

HEAD = struct.Struct(">q")
_MICROSECOND = Fraction(1, 1_000_000)
BELOW = 10
"""chosen: how far below the live picture, in steps of `os.nice`."""
X264 = {
    **{"preset": "ultrafast", "qp": "10", "g": "30", "bf": "0"},
    **{"threads": "2", "sliced-threads": "0"},
}
"""chosen: see the module's own text in `stream.take.encoding` for what it costs and keeps."""
_X264_FORMATS = ("yuv420p", "yuv422p", "yuv444p", "yuv420p10le", "yuv422p10le", "yuv444p10le")
_CONTAINER = {"cluster_time_limit": "100", "flush_packets": "1"}


def _begun(
    out: BinaryIO, codec: str, options: dict[str, str], first: av.VideoFrame, encoding: Encoding
) -> tuple[OutputContainer, VideoStream, list[Packet[VideoStream]]]:
    """A container with a stream, and the packets of the first frame, which are not muxed yet."""
    container = av.open(out, "w", format="matroska", options=_CONTAINER)
    stream = container.add_stream(codec, rate=30, options=options)
    stream.width, stream.height = first.width, first.height
    stream.pix_fmt = first.format.name
    tag(stream.codec_context, encoding)
    return container, stream, stream.encode(first)


def codecs(pixel_format: str, width: int, height: int) -> list[tuple[str, dict[str, str]]]:
    """Encoders and their options, to be tried in turn."""
    # Lossless and slow: for the few pictures that the other does not hold.
    lossless = {"level": "3", "slicecrc": "1", "coder": "0", "context": "0"}
    found = [("ffv1", {**lossless, "slices": s}) for s in SLICES]
    even = width % 2 == 0 and height % 2 == 0
    if even and pixel_format in _X264_FORMATS and "libx264" in av.codecs_available:
        found.insert(0, ("libx264", X264))
    return found


def _frames(given: BinaryIO, width: int, height: int, name: str) -> Iterator[av.VideoFrame]:
    """Frames as they come, with their microseconds as ``pts``."""
    kind = np.dtype("<u2" if name.endswith("le") else "u1")
    while len(head := given.read(HEAD.size)) == HEAD.size:
        frame = av.VideoFrame(width, height, name)
        for plane in frame.planes:
            count = plane.width * plane.height * kind.itemsize
            data = given.read(count)
            if len(data) < count:
                return
            fill_plane(plane, np.frombuffer(data, kind).reshape(plane.height, plane.width))
        frame.pts, frame.time_base = HEAD.unpack(head)[0], _MICROSECOND
        yield frame


def _encode(given: BinaryIO, out: BinaryIO) -> None:
    about = json.loads(given.readline())
    name, encoding = str(about["format"]), Encoding.from_json(about["encoding"])
    frames = _frames(given, about["width"], about["height"], name)
    first = next(frames, None)
    if first is None:
        return
    for codec, options in codecs(name, first.width, first.height):
        try:
            container, stream, packets = _begun(out, codec, options, first, encoding)
            break
        except (av.error.FFmpegError, NotImplementedError) as e:
            # Not every size can be cut into as many slices; the last choice leaves it to the codec.
            refused = e
    else:
        raise refused
    with container:
        container.mux(packets)
        for frame in frames:
            container.mux(stream.encode(frame))
        container.mux(stream.encode(None))


def main() -> None:
    """Encode what comes until it ends."""
    if hasattr(os, "nice"):
        os.nice(BELOW)
    # Whoever began this is gone: what it wanted is not wanted any more.
    with suppress(BrokenPipeError):
        _encode(sys.stdin.buffer, sys.stdout.buffer)


if __name__ == "__main__":
    main()
