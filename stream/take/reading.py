"""A kept take's frames, as its source gave them, and where its sound is."""

from __future__ import annotations

import logging
from collections.abc import Iterator
from dataclasses import replace
from datetime import timedelta
from fractions import Fraction
from pathlib import Path

import av

from stream.capture.container import Container, Target
from stream.capture.errors import SourceError
from stream.capture.frame import Frame
from stream.capture.media import Framer
from stream.event import Event
from stream.shot.frames import view_jpeg
from stream.take.record import Take, TakeError

log = logging.getLogger("posewall.take")
# chosen: a seek that lands further on than this has not found the key frame before.
_NEAR_S = 0.0005


class TakeReader:
    """Reads one take.

    Attributes:
        take: its record.
        path: its media file.
    """

    def __init__(self, take: Take, path: Path, device: str = "cpu") -> None:
        """Look at the file.

        Args:
            take: its record.
            path: its media file.
            device: where frames may stay; a graphics card decodes what it can.

        Raises:
            TakeError: the file is not there or holds no picture.
        """
        self.take = take
        self.path = path
        self._device = device
        container = self._container()
        self._has_sound = container.has_sound
        container.close()

    def _container(self) -> Container:
        if not self.path.is_file():
            raise TakeError(
                f"take {self.take.id} has no {self.path.name}; put the file back from a copy."
            )
        target = Target(
            f"file:{self.path}",
            self.take.source or self.take.id,
            options={"protocol_whitelist": "file"},
        )
        try:
            return Container(target, log.warning, self._device)
        except SourceError as e:
            raise TakeError(
                f"take {self.take.id}: {self.path.name} holds no picture that can be read; put the "
                "file back from a copy, or record it again."
            ) from e

    @property
    def has_sound(self) -> bool:
        """Whether it has sound."""
        return self._has_sound

    @property
    def sound_path(self) -> Path | None:
        """The file that its sound is in, on the take's time line; None without sound."""
        return self.path if self._has_sound else None

    def frames(self, from_s: float = 0.0) -> Iterator[Frame]:
        """Its frames in the order in which they are shown, each later than the one before.

        Args:
            from_s: begin with the frame that is shown at this second of the take's time line.

        Yields:
            Frames whose ``pts`` and ``time_base`` are on that time line, turned as the record
            says.

        Raises:
            TakeError: the file cannot be read.
        """
        container = self._container()
        try:
            if from_s > 0:
                container = self._sought(container, from_s)
            yield from self._from(container, from_s)
        except (av.error.FFmpegError, OSError) as e:
            raise TakeError(
                f"take {self.take.id}: {self.path} cannot be read ({e}); put it back from a copy."
            ) from e
        finally:
            container.close()

    def _sought(self, container: Container, from_s: float) -> Container:
        """Before a second; from the beginning, where the file was cut off and has no index."""
        try:
            container.seek(from_s)
            first = next(container.frames(), None)
            if first is not None and first.time is not None and first.time <= from_s + _NEAR_S:
                container.seek(from_s)
                return container
        except av.error.FFmpegError:
            pass
        container.close()
        return self._container()

    def _from(self, container: Container, from_s: float) -> Iterator[Frame]:
        framer = Framer(self.take.source, self.take.quarter_turns, log.warning)
        waiting: av.VideoFrame | None = None
        last = -1
        index = 0
        for decoded in container.frames():
            pts, base = decoded.pts, decoded.time_base or Fraction(1, 1000)
            if pts is None or pts <= last:
                continue  # decoded only, or the last of it before a connection was lost
            last = pts
            if waiting is not None and pts * base > from_s:
                yield self._frame(framer, container, waiting, index)
                index += 1
            waiting = decoded
        if waiting is not None:
            yield self._frame(framer, container, waiting, index)

    def _frame(
        self, framer: Framer, container: Container, decoded: av.VideoFrame, index: int
    ) -> Frame:
        base = decoded.time_base or Fraction(1, 1000)
        at_s = float((decoded.pts or 0) * base)
        frame = framer.frame(
            decoded,
            container.codec_name,
            pts=decoded.pts,
            time_base=base,
            arrived_s=at_s,
            taken=self.take.begun + timedelta(seconds=at_s),
            matrix=container.decoder.display_matrix,
        )
        return replace(frame, index=index)

    def view(self) -> bytes:
        """A small upright JPEG of the first frame that is shown.

        Raises:
            TakeError: it holds no picture.
        """
        frame = next(self.frames(self.take.begin_s), None)
        if frame is None:
            raise TakeError(f"take {self.take.id}: holds no picture that can be read.")
        frame = frame.on_host()
        return view_jpeg(frame.planes, frame.encoding, frame.quarter_turns)


def open_take(event: Event, take: Take, device: str = "cpu") -> TakeReader:
    """The reader of a kept take.

    Args:
        event: where it lies.
        take: its record.
        device: where frames may stay; a graphics card decodes what it can.

    Raises:
        TakeError: its file is not there or holds no picture.
    """
    return TakeReader(take, event.paths.takes / take.id / take.file, device)


def measured(path: Path) -> tuple[float, float]:
    """When a media file's picture begins and how long it is, without decoding it.

    Returns:
        The first picture's time and the last one's end, in seconds; 0 and 0 without any.
    """
    times: list[Fraction] = []
    length = Fraction(0)
    try:
        with av.open(f"file:{path}", options={"protocol_whitelist": "file"}) as container:
            stream = next(iter(container.streams.video), None)
            if stream is None:
                return 0.0, 0.0
            length = 1 / Fraction(stream.average_rate or 25)
            for packet in container.demux(stream):
                if packet.size and packet.pts is not None:
                    times.append(packet.pts * packet.time_base)
                    length = Fraction(packet.duration or 0) * packet.time_base or length
    except (av.error.FFmpegError, OSError):
        pass  # cut off: what came before counts
    if not times:
        return 0.0, 0.0
    times.sort()
    if len(times) > 1:  # some streams do not say it, or say one tick
        step = times[-1] - times[-2]
        length = length if length > step / 2 else step
    return float(times[0]), float(times[-1] + length)
