"""A process that compresses frames, at low priority; begun by `stream.take.encoding`.

Reads from standard input one line of JSON, then frames: eight bytes of microseconds (big endian)
and the planes' code values, one plane after the other. Writes a Matroska stream to standard output.
When the input ends, so does the process; when nobody reads any more, too. It loads little, since
frames wait in memory until it has begun.
"""

from __future__ import annotations

import json
import os
import sys
from collections.abc import Iterator
from fractions import Fraction
from typing import Any, BinaryIO

import av
import numpy as np
from av.container import OutputContainer
from av.packet import Packet
from av.video.stream import VideoStream

_MICROSECOND = Fraction(1, 1_000_000)
_MILLISECOND = Fraction(1, 1_000)
_CONTAINER = {"cluster_time_limit": "100", "flush_packets": "1"}
_HEAD_BYTES = 8
BELOW = 10
"""chosen: how far below the live picture, in steps of `os.nice`."""


class _Output:
    """Standard output without a buffer of Python's own, whose last part would wait for more.

    Attributes:
        unread: nobody reads any more. The media library makes other errors of that.
    """

    def __init__(self) -> None:
        self.unread = False

    def write(self, data: bytes) -> int:
        rest = memoryview(data)
        try:
            while rest:
                rest = rest[os.write(1, rest) :]
        except BrokenPipeError:
            self.unread = True
            raise
        return len(data)


def _frames(given: BinaryIO, about: dict[str, Any]) -> Iterator[av.VideoFrame]:
    """Frames as they come."""
    name = str(about["format"])
    each = 2 if name.endswith("le") else 1
    while len(head := given.read(_HEAD_BYTES)) == _HEAD_BYTES:
        frame = av.VideoFrame(about["width"], about["height"], name)
        for plane in frame.planes:
            data = given.read(plane.width * plane.height * each)
            if len(data) < plane.width * plane.height * each:
                return
            lines = np.frombuffer(memoryview(plane), np.uint8).reshape(-1, plane.line_size)
            values = np.frombuffer(data, np.uint8).reshape(plane.height, plane.width * each)
            lines[: plane.height, : plane.width * each] = values
        at_us = int.from_bytes(head, "big", signed=True)
        if about["stored"] != name:  # the same values, otherwise grouped
            frame = frame.reformat(format=about["stored"], threads=1)
        frame.pts, frame.time_base = at_us, _MICROSECOND
        yield frame


def _begun(
    out: _Output, codec: str, options: dict[str, str], first: av.VideoFrame, tags: dict[str, int]
) -> tuple[OutputContainer, VideoStream, list[Packet[VideoStream]]]:
    """A container with a stream, and the packets of the first frame, which are not muxed yet."""
    container = av.open(out, "w", format="matroska", options=_CONTAINER)
    # Frames keep their own times; the rate is a guess that no decoder minds.
    stream = container.add_stream(codec, rate=30, options=options, time_base=_MILLISECOND)
    assert isinstance(stream, VideoStream)
    stream.width, stream.height = first.width, first.height
    stream.pix_fmt = first.format.name
    for name, value in tags.items():
        setattr(stream.codec_context, name, value)
    return container, stream, stream.encode(first)


def _compress(given: BinaryIO, out: _Output) -> None:
    about = json.loads(given.readline())
    frames = _frames(given, about)
    first = next(frames, None)
    if first is None:
        return
    refused: Exception = ValueError("no codec was named")
    for codec, options in about["codecs"]:
        try:
            container, stream, packets = _begun(out, codec, options, first, about["tags"])
            break
        except (av.error.FFmpegError, NotImplementedError) as e:
            refused = e
    else:
        raise refused
    with container:
        container.mux(packets)
        for frame in frames:
            container.mux(stream.encode(frame))
        container.mux(stream.encode(None))


def main() -> None:
    """Compress what comes until it ends."""
    if hasattr(os, "nice"):
        os.nice(BELOW)
    out = _Output()
    try:
        _compress(sys.stdin.buffer, out)
    except (OSError, av.error.FFmpegError):
        # Whoever began this is gone: what it wanted is not wanted any more.
        if not out.unread:
            raise


if __name__ == "__main__":
    main()
