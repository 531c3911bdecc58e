"""A take's media file while it is written: whatever was written a second ago can be read.

Matroska (RFC 9559) in clusters of less than half a second, each written in one go: a Segment and
its last Cluster may be cut off anywhere, and what lies before stays readable, since EBML
(RFC 8794, section 6.2) has sizes that are not known yet. Index and duration come at the end.
"""

from __future__ import annotations

import errno
import os
import shutil
import time
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

import av
from av.audio.stream import AudioStream
from av.video.stream import VideoStream

from stream.capture.parameters import Parameters
from stream.capture.tap import SECOND_US, Piece

_TICK = 1_000  # Matroska's usual time scale, a millisecond, in microseconds
_CLUSTER_MS = 300
# chosen: longer than sound is behind the picture, short enough that a crash costs under a second.
_INTERLEAVE_US = 200_000
_SYNC_EVERY_S = 1.0
# chosen: what the rest of an evening needs of the disk more than one more take does.
LEAST_FREE_BYTES = 64 << 20
_BUFFER = 1 << 20


class _Synced:
    """A file that is made durable about each second."""

    def __init__(self, path: Path, clock: Callable[[], float]) -> None:
        self._file = path.open("xb", buffering=0)
        self._folder = path.parent
        self._clock = clock
        self._synced_s = clock()
        self.bytes = 0

    def write(self, data: bytes) -> int:
        rest = memoryview(data)
        while rest:
            rest = rest[self._file.write(rest) :]
        self.bytes = max(self.bytes, self._file.tell())
        return len(data)

    def seek(self, offset: int, whence: int = 0) -> int:
        return self._file.seek(offset, whence)

    def tell(self) -> int:
        return self._file.tell()

    def sync(self, now: bool = False) -> None:
        """Make it durable, where a second has passed since the last time."""
        if not now and self._clock() - self._synced_s < _SYNC_EVERY_S:
            return
        os.fsync(self._file.fileno())
        self._synced_s = self._clock()
        if shutil.disk_usage(self._folder).free < LEAST_FREE_BYTES:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    def fileno(self) -> int:
        return self._file.fileno()

    def close(self) -> None:
        self._file.close()


class MediaFile:
    """One picture stream and at most one of sound, on a line that begins at 0."""

    def __init__(
        self,
        path: Path,
        picture: Parameters,
        sound: Parameters | None,
        *,
        clock: Callable[[], float] = time.monotonic,
        metadata: dict[str, str] | None = None,
    ) -> None:
        """Begin a new file.

        Args:
            path: its name; there is none there yet.
            picture: parameters of the picture's packets.
            sound: parameters of the sound's, or None.
            clock: monotonic, seconds.
            metadata: of the whole file.

        Raises:
            OSError: the disk does not take it.
        """
        self._file = _Synced(path, clock)
        options = {
            "cluster_time_limit": str(_CLUSTER_MS),
            "max_interleave_delta": str(_INTERLEAVE_US),
            # The line begins at 0 with what is shown first, and what is decoded before that stays.
            "avoid_negative_ts": "disabled",
        }
        self._out = av.open(
            self._file, "w", format="matroska", options=options, buffer_size=_BUFFER
        )
        self._out.metadata.update(metadata or {})
        streams: list[VideoStream | AudioStream] = [picture.add_to(self._out)]
        if sound is not None:
            streams.append(sound.add_to(self._out))
        self._streams = streams
        self._decoded_us = [-SECOND_US] * len(streams)
        self.end_us = 0
        self._out.start_encoding()

    @property
    def bytes(self) -> int:
        """How large it is so far."""
        return self._file.bytes

    def write(self, piece: Piece) -> None:
        """Write one packet; times of it that do not go on from those before it are mended.

        Raises:
            OSError: the disk does not take it.
        """
        which = 1 if piece.sound else 0
        stream, before = self._streams[which], self._decoded_us[which]
        decode_us = max(piece.decode_us, before)
        at_us = max(piece.at_us, decode_us)
        self._decoded_us[which] = decode_us
        packet = av.Packet(piece.data)
        for entry in piece.side:
            packet.set_sidedata(entry)
        packet.time_base = stream.time_base or packet.time_base
        packet.pts, packet.dts = _ticks(at_us), _ticks(decode_us)
        packet.duration = max(1, _ticks(piece.length_us)) if piece.length_us else 0
        packet.is_keyframe = piece.key
        packet.stream = stream
        self._out.mux(packet)
        if not piece.sound:
            self.end_us = max(self.end_us, at_us + piece.length_us)
        self._file.sync()

    def finish(self) -> None:
        """Write index and duration, and make all durable.

        Raises:
            OSError: the disk does not take it; what was written stays readable.
        """
        try:
            self._out.close()
            self._file.sync(now=True)
        finally:
            self._file.close()

    def abandon(self) -> None:
        """Leave it as it is, after the disk failed."""
        with suppress(OSError, ValueError):  # ValueError: `finish` has closed it
            os.fsync(self._file.fileno())
        self._file.close()
        with suppress(av.error.FFmpegError, OSError, ValueError):
            self._out.close()


def _ticks(us: int) -> int:
    return (us + _TICK // 2) // _TICK
