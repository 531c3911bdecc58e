"""Frames of a source that does not compress, made into packets by a process beside the program.

chosen: H.264 with a quantiser of 12 in the source's own chroma format (x264, ultrafast). On frames
of a rendered person at 1920 x 1080, 4:2:2, with noise of 1.5 codes, the final matte differs from
that of the frames themselves by .011 in the mean along edges; another draw of the same noise makes
.021 (quantiser 6: .006, 10: .008, 14: .013, 18: .020, 22: .029). It takes 23 ms of one core a frame
and 200 Mbit/s; without loss x264 takes 34 ms and 420 Mbit/s, FFV1 57 ms and 370.
"""

from __future__ import annotations

import json
import logging
import subprocess
import threading
from contextlib import suppress
from typing import IO, Any

import av
import numpy as np

from models.color import Matrix
from stream import own_process
from stream.capture.frame import Frame
from stream.capture.parameters import Parameters
from stream.capture.tap import SECOND_US, Piece
from stream.shot.frames import (
    SLICES,
    FrameFileError,
    code_points,
    pixel_format,
    plane_array,
)
from stream.take.backlog import Backlog

log = logging.getLogger("posewall.take")
_PIPE_BYTES = 1 << 20
# chosen: 2.5 s of the above for a disk that sleeps, beside what waits uncompressed.
_MOST_OUT_BYTES = 64 << 20
_END_S = 10.0
STOPPED = "the process that compresses its pictures stopped"
"""Why nothing more comes out, where that process did not end by itself; for people."""
# The header says all; a look at seconds of the stream would hold up what has come.
_AT_ONCE = {"fpsprobesize": "0", "analyzeduration": "100000"}
_X264 = {
    **{"preset": "ultrafast", "qp": "12", "g": "30", "bf": "0"},
    **{"threads": "2", "sliced-threads": "0"},
}
_X264_FORMATS = ("yuv420p", "yuv422p", "yuv444p", "yuv420p10le", "yuv422p10le", "yuv444p10le")
_LOSSLESS = {"level": "3", "slicecrc": "1", "coder": "1", "context": "0"}


def _format(frame: Frame) -> str:
    depth = frame.encoding.depth
    if frame.encoding.matrix is Matrix.RGB:
        return "gbrp" if depth == 8 else f"gbrp{depth}le"
    return pixel_format(frame.planes, depth)


def _codecs(name: str, width: int, height: int) -> list[tuple[str, dict[str, str]]]:
    """Encoders and their options, to be tried in turn."""
    # Lossless and slow, for the few pictures that the other does not hold. Not every size can be
    # cut into as many slices; the last choice leaves it to the codec.
    found = [("ffv1", {**_LOSSLESS, "slices": s}) for s in SLICES]
    even = width % 2 == 0 and height % 2 == 0
    if even and name in _X264_FORMATS and "libx264" in av.codecs_available:
        found.insert(0, ("libx264", _X264))
    return found


def _about(frame: Frame) -> bytes:
    height, width = frame.planes[0].shape
    name = _format(frame)
    about = {
        "format": name,
        # FFV1 has packed R'G'B' alone at 8 bit.
        "stored": "bgr0" if name == "gbrp" else name,
        "width": width,
        "height": height,
        "tags": code_points(frame.encoding),
        "codecs": _codecs(name, width, height),
    }
    return json.dumps(about).encode() + b"\n"


def _write(pipe: IO[bytes], frame: Frame, at_us: int) -> None:
    frame = frame.on_host()
    planes = frame.planes
    if frame.encoding.matrix is Matrix.RGB:  # the library's planar RGB is G, B, R
        planes = (planes[1], planes[2], planes[0])
    _put(pipe, at_us.to_bytes(8, "big", signed=True))
    for plane in planes:
        values = np.ascontiguousarray(plane_array(plane, frame.encoding.depth))
        _put(pipe, values.data.cast("B"))


def _put(pipe: IO[bytes], data: bytes | memoryview) -> None:
    """Write all of it: a pipe without a buffer may take a part."""
    rest = memoryview(data)
    while rest:
        rest = rest[pipe.write(rest) :]


class FrameEncoder:
    """Takes frames out of one backlog and puts packets into another; sound goes through.

    Attributes:
        out: where packets come out.
        parameters: of the packets; None until the first is there.
    """

    def __init__(self, given: Backlog, first: Piece) -> None:
        """Begin.

        Args:
            given: frames, and perhaps packets of sound.
            first: the first frame, which is still in ``given``; its time is the packets' 0.

        Raises:
            OSError: no process could be made.
            FrameFileError: no form holds such a frame.
        """
        if first.frame is None:
            raise FrameFileError("what is to be encoded is no frame")
        self._about = _about(first.frame)
        self._zero_us = first.at_us
        self._given = given
        self.out = Backlog(_MOST_OUT_BYTES)
        self.parameters: Parameters | None = None
        self._until_us: int | None = None
        self._stop = threading.Event()
        self._process = own_process.begin(
            "stream.capture.compressor",
            stdout=subprocess.PIPE,
            bufsize=0,  # a buffered pipe would wait for as much as was asked for
            creationflags=own_process.LOW,
        )
        self._threads = [
            threading.Thread(target=work, name=f"take {name}", daemon=True)
            for name, work in (("frames", self._feed), ("packets", self._collect))
        ]
        for thread in self._threads:
            thread.start()

    @property
    def busy(self) -> bool:
        """Whether packets may still come."""
        return self._threads[1].is_alive()

    def finish(self, until_us: int) -> None:
        """No frame from an instant of the line on is wanted."""
        self._until_us = until_us

    def close(self) -> None:
        """End the process; what it has not given is lost."""
        self._stop.set()
        self._given.end("")
        with suppress(subprocess.TimeoutExpired):
            self._process.wait(0 if self._threads[0].is_alive() else _END_S)
        if self._process.poll() is None:
            self._process.kill()
            self._process.wait()
        for thread in self._threads:
            thread.join(_END_S)
        for pipe in (self._process.stdin, self._process.stdout):
            if pipe is not None:
                with suppress(OSError, ValueError):
                    pipe.close()

    def _feed(self) -> None:
        pipe: Any = self._process.stdin
        try:
            _widen(pipe)
            _put(pipe, self._about)
            while not self._stop.is_set():
                piece = self._given.get(0.1)
                if piece is None:
                    if self._given.ended is not None:
                        break
                elif piece.frame is None:
                    self.out.put(piece)
                elif self._until_us is not None and piece.at_us >= self._until_us:
                    pipe.close()  # sound comes a little later, and goes on
                elif piece.at_us >= self._zero_us and not pipe.closed:
                    _write(pipe, piece.frame, piece.at_us - self._zero_us)
                if self._given.over:
                    pipe.close()
        except OSError as e:
            log.warning("the encoder of a take took no more (%s)", e)
        finally:
            with suppress(OSError):
                pipe.close()

    def _collect(self) -> None:
        why = self._given.ended or ""
        try:
            with av.open(
                self._process.stdout, "r", format="matroska", options=_AT_ONCE
            ) as container:
                stream = container.streams.video[0]
                self.parameters = Parameters(stream)
                for packet in container.demux(stream):
                    if packet.size and packet.pts is not None:
                        self.out.put(_piece(packet, self._zero_us))
            # A stream that breaks off reads like one that ends.
            if self._process.wait(_END_S) and not self._stop.is_set():
                log.warning("the encoder of a take ended (%d)", self._process.returncode)
                why = STOPPED
        except (
            *(av.error.FFmpegError, OSError, ValueError, IndexError),
            subprocess.TimeoutExpired,
        ) as e:
            if not self._stop.is_set():
                log.warning("the encoder of a take stopped (%s)", e)
                why = STOPPED
        self.out.end(self._given.ended or why)


def _piece(packet: Any, zero_us: int) -> Piece:
    base = packet.time_base
    at_us = round(packet.pts * base * SECOND_US) + zero_us
    decode_us = at_us if packet.dts is None else round(packet.dts * base * SECOND_US) + zero_us
    data = bytes(packet)
    return Piece(
        at_us,
        min(at_us, decode_us),
        0,
        packet.is_keyframe,
        True,
        False,
        data,
        size=len(data),
    )


def _widen(pipe: IO[bytes]) -> None:
    """A pipe of a megabyte, where there is that: a frame goes through in fewer turns."""
    try:
        import fcntl
    except ImportError:
        return
    with suppress(OSError, AttributeError):
        fcntl.fcntl(pipe.fileno(), fcntl.F_SETPIPE_SZ, _PIPE_BYTES)
