"""One opened media container: its picture stream, read packet by packet, damaged ones skipped."""

from __future__ import annotations

import errno
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from typing import cast

import av
from av.audio.stream import AudioStream
from av.packet import Packet
from av.stream import Disposition
from av.video.stream import VideoStream

from stream.capture.decoder import Decoder
from stream.capture.errors import SourceError
from stream.capture.tap import Gathering, Tap

Say = Callable[[str], None]

# chosen: enough to resynchronise a damaged file, few enough to end on one that is only noise.
_READ_ERRORS_IN_A_ROW = 16
_PACKETS_WITHOUT_A_PICTURE = 600
# The demuxer of JPEGs over HTTP numbers the parts at 25 a second whatever their pace.
UNTIMED_FORMATS = ("mpjpeg",)


@dataclass(frozen=True)
class Target:
    """What to open, and how.

    Attributes:
        url: as the media library wants it.
        label: as people know it; carries no password.
        format: name of the demuxer; None lets it be found.
        options: for the demuxer and the protocol.
        open_timeout_s: longest wait for the first data.
        read_timeout_s: longest wait for more; None waits for ever.
    """

    url: str
    label: str
    format: str | None = None
    options: dict[str, str] = field(default_factory=dict)
    open_timeout_s: float = 10.0
    read_timeout_s: float | None = None


def _refusal(target: Target, error: Exception) -> SourceError:
    """The sentence for an address that did not open."""
    label = target.label
    if isinstance(error, av.error.FileNotFoundError):
        return SourceError(f"{label}: there is no such file or device; check the name")
    if isinstance(error, av.error.PermissionError):
        return SourceError(f"{label}: may not be read; check the permissions")
    if isinstance(error, (av.error.HTTPUnauthorizedError, av.error.HTTPForbiddenError)):
        return SourceError(f"{label}: refused us; check user name and password in the address")
    if isinstance(error, (av.error.HTTPError, av.error.HTTPClientError, av.error.HTTPServerError)):
        return SourceError(f"{label}: answered with an error ({error.strerror}); check the path")
    if isinstance(error, av.error.ConnectionRefusedError):
        return SourceError(f"{label}: nobody answers there; check that it is on and sending")
    if isinstance(error, (av.error.TimeoutError, av.error.ExitError)):
        return SourceError(f"{label}: no answer in time; check the cable and that it is sending")
    if isinstance(error, av.error.InvalidDataError) or target.url.startswith("file:"):
        return SourceError(
            f"{label}: holds no video that can be read; need a complete video file or stream, "
            "such as H.264 or MJPEG"
        )
    if isinstance(error, OSError) and error.errno == errno.EIO:
        return SourceError(
            f"{label}: sends nothing that can be read; need a video stream; check the address"
        )
    text = getattr(error, "strerror", None) or str(error)
    return SourceError(f"{label}: cannot be opened ({text}); check the address and the cable")


class Container:
    """An opened container; used by one thread."""

    def __init__(
        self,
        target: Target,
        say: Say,
        device: str = "cpu",
        before: Decoder | None = None,
        *,
        tap: Tap | None = None,
        live: bool = False,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        """Open it and find the picture stream.

        Args:
            target: what to open.
            say: takes a sentence for the user.
            device: where decoded frames may stay; a graphics card decodes what it can.
            before: the decoder of the same file's last round.
            tap: is given the packets, and the sound if it wants it.
            live: it comes at its own time.
            clock: monotonic, seconds.

        Raises:
            SourceError: it cannot be opened or holds no picture stream.
        """
        self._target = target
        self._say = say
        self.damaged = 0
        try:
            self._input = av.open(
                target.url,
                format=target.format,
                options=dict(target.options),
                timeout=(target.open_timeout_s, target.read_timeout_s),
            )
        except (av.error.FFmpegError, OSError, ValueError) as e:
            raise _refusal(target, e) from e
        try:
            self.stream = self._picture_stream()
        except SourceError:
            self._input.close()
            raise
        self._sound = self._sound_stream() if tap is not None and tap.wants_sound else None
        self.gathering: Gathering | None = None
        if tap is not None:
            self.gathering = Gathering(
                tap,
                target.label,
                self.stream,
                self._sound,
                clock=clock,
                by_arrival=self.format_name in UNTIMED_FORMATS,
                live=live,
            )
        self.decoder = Decoder(self.stream, target.label, device, before)

    def _picture_stream(self) -> VideoStream:
        streams = [
            s
            for s in self._input.streams.video
            if not s.disposition & Disposition.attached_pic and s.codec_context is not None
        ]
        if streams:
            return streams[0]
        got = "only sound" if self._input.streams.audio else "no picture stream"
        raise SourceError(f"{self._target.label}: holds {got}; need a video")

    def _sound_stream(self) -> AudioStream | None:
        found = self._input.streams.best("audio", related=self.stream)
        return found if isinstance(found, AudioStream) and found.codec_context else None

    @property
    def format_name(self) -> str:
        """Name of the demuxer."""
        return self._input.format.name

    @property
    def codec_name(self) -> str:
        """Name of the decoder."""
        return self.stream.codec_context.name

    @property
    def metadata(self) -> dict[str, str]:
        """The container's own tags."""
        return self._input.metadata

    @property
    def promised_s(self) -> float | None:
        """How long the picture stream says that it is, in seconds."""
        stream = self.stream
        if stream.duration and stream.time_base:
            return float(stream.duration * stream.time_base)
        duration: int | None = self._input.duration
        return duration / 1_000_000 if duration and not self._input.streams.audio else None

    def packets(self) -> Iterator[Packet[VideoStream]]:
        """The picture's packets until the end; damaged pieces of the container are left out.

        Raises:
            av.error.FFmpegError: the source broke.
        """
        errors = 0
        wanted = (self.stream,) if self._sound is None else (self.stream, self._sound)
        while True:
            try:
                for packet in self._input.demux(*wanted):
                    errors = 0
                    mine = cast("Packet[VideoStream]", packet)
                    picture = packet.stream_index == self.stream.index
                    if self.gathering is not None:
                        self.gathering.note(mine, not picture)
                    if picture:
                        yield mine
                return
            except av.error.BlockingIOError:  # a device without a frame yet
                time.sleep(0.002)
            except av.error.InvalidDataError:
                self._skip()
                errors += 1
                if errors >= _READ_ERRORS_IN_A_ROW:
                    return

    def _skip(self) -> None:
        self.damaged += 1
        if self.damaged == 1:
            self._say(f"{self._target.label}: a damaged piece was skipped")

    def frames(self) -> Iterator[av.VideoFrame]:
        """Decoded frames until the end; damaged ones are counted and left out.

        Raises:
            av.error.FFmpegError: the source broke.
            SourceError: packets come and no picture comes out of them.
        """
        barren = 0
        for packet in self.packets():
            decoded: list[av.VideoFrame] = []
            try:
                if packet.is_corrupt:
                    self._skip()
                else:
                    decoded = self.decoder.decode(packet)
            except av.error.InvalidDataError:
                self._skip()
            barren = 0 if decoded else barren + 1
            if barren > _PACKETS_WITHOUT_A_PICTURE:
                raise SourceError(
                    f"{self._target.label}: {barren} pieces and no picture among them; need a "
                    "video that is whole, such as H.264 or MJPEG"
                )
            for frame in decoded:
                if frame.is_corrupt:
                    self._skip()
                else:
                    yield frame

    @property
    def has_sound(self) -> bool:
        """Whether it holds sound."""
        return bool(self._input.streams.audio)

    def seek(self, at_s: float) -> None:
        """Go to the last key frame at or before an instant of a file; where that fails, stay.

        Raises:
            av.error.FFmpegError: the file broke.
        """
        base = self.stream.time_base
        if base is not None:
            self._input.seek(round(at_s / base), stream=self.stream, backward=True)

    def close(self) -> None:
        """Let go of the file or device."""
        self._input.close()
