"""Sources read through the media library: decoded frames made into `Frame`, live ones and clips."""

from __future__ import annotations

import logging
import threading
import time
from abc import ABC, abstractmethod
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from fractions import Fraction

import av

from models.color import Range
from stream.capture.card import on_card, pixel_of, semi_planar, settled
from stream.capture.container import UNTIMED_FORMATS, Container, Say, Target
from stream.capture.decoder import display_matrix
from stream.capture.errors import SourceLost
from stream.capture.frame import Frame
from stream.capture.orientation import from_display_matrix, mirrored
from stream.capture.planes import kind_of, planes_of
from stream.capture.tags import StreamTags, range_of, resolve
from stream.capture.tap import Tap

log = logging.getLogger("posewall.capture")

Clock = Callable[[], float]
Wall = Callable[[], datetime]

_MICROSECOND = Fraction(1, 1_000_000)


def local_now() -> datetime:
    """The wall clock, with the computer's time zone."""
    return datetime.now(UTC).astimezone()


class Framer:
    """Makes a `Frame` of a decoded frame: planes copied, tags resolved, remarks said once."""

    def __init__(self, name: str, quarter_turns: int | None, say: Say) -> None:
        self._name = name
        self._turns = quarter_turns
        self._say = say
        self._said: set[str] = set()
        self._count = 0

    def _remark(self, text: str) -> None:
        if text not in self._said:
            self._said.add(text)
            self._say(f"{self._name}: {text}")

    def _orientation(self, matrix: bytes | None) -> tuple[bool, int]:
        mirror, turns = False, 0
        if matrix is not None:
            mirror, turns, exact = from_display_matrix(matrix)
            if not exact:
                self._remark("is tagged as slanted; it is turned to the nearest quarter")
        return mirror, turns if self._turns is None else self._turns

    def frame(
        self,
        frame: av.VideoFrame,
        codec: str,
        *,
        pts: int | None,
        time_base: Fraction | None,
        arrived_s: float,
        taken: datetime,
        matrix: bytes | None = None,
    ) -> Frame:
        """The frame with everything resolved.

        Args:
            frame: decoded; one on a graphics card stays there.
            codec: name of the decoder.
            pts: presentation time in units of ``time_base``.
            time_base: seconds a tick.
            arrived_s: monotonic clock, seconds.
            taken: wall clock.
            matrix: the display matrix of a frame that carries none itself.

        Raises:
            SourceError: a pixel format or colour that cannot be read.
        """
        kind = kind_of(pixel_of(frame))
        said = {1: False, 2: True}.get(frame.color_range)
        tags = StreamTags(
            frame.colorspace, said, frame.color_trc, frame.color_primaries, codec, frame.height
        )
        encoding, remarks = resolve(tags, kind)
        for text in remarks:
            self._remark(text)
        if frame.interlaced_frame:
            self._remark("is interlaced and will show combs; set the camera to progressive")
        full = range_of(tags, kind.rgb, kind.full_by_name) is Range.FULL
        planes = semi_planar(frame) if on_card(frame) else planes_of(frame, full)[0]
        mirror, turns = self._orientation(display_matrix(frame) or matrix)
        self._count += 1
        return Frame(
            settled(mirrored(planes) if mirror else planes),
            encoding,
            turns,
            pts,
            time_base,
            arrived_s,
            taken,
            self._name,
            self._count - 1,
        )


class MediaSource(ABC):
    """What live sources and clips share: one reader at a time, and a close that never waits.

    The media library must not be closed under a reading thread. So a `close` during a `read`
    leaves a note, and the reading thread closes when its read comes back.
    """

    live: bool

    def __init__(self, name: str) -> None:
        self.name = name
        self._container: Container | None = None
        self._reading = threading.Lock()
        self._handing = threading.Lock()
        self._closing = threading.Event()

    def _hand(self, shift_us: int, frame: Frame | None, again: bool = False) -> None:
        """Give the tap what was read, and the frame that came out of it.

        Nothing once it was closed: a read that hung and comes back late must not mix what it has
        into what the source that was opened in its place gives to the same tap.
        """
        container = self._container
        with self._handing:
            if container is None or container.gathering is None or self._closing.is_set():
                return
            container.gathering.hand(shift_us, frame, again)

    def _let_go(self) -> None:
        container, self._container = self._container, None
        if container is not None:
            container.close()

    def open(self) -> None:
        """Connect or open.

        Raises:
            SourceError: what the user can mend.
        """
        with self._reading:
            self._closing.clear()
            self._let_go()
            self._open()
            if self._closing.is_set():
                self._let_go()

    @abstractmethod
    def _open(self) -> None:
        """Open the container; under the reading lock."""

    def read(self) -> Frame | None:
        """The next frame; waits for it. None at the end of a source that is not live."""
        with self._reading:
            try:
                return None if self._closing.is_set() else self._next()
            finally:
                if self._closing.is_set():
                    self._let_go()

    @abstractmethod
    def _next(self) -> Frame | None:
        """The next frame; under the reading lock."""

    def close(self) -> None:
        """Let go, now or as soon as a read that is under way comes back; never waits for it."""
        with self._handing:  # which itself waits for nobody
            self._closing.set()
        if self._reading.acquire(blocking=False):
            try:
                self._let_go()
            finally:
                self._reading.release()


class LiveMedia(MediaSource):
    """A camera, a part of the screen or a network stream."""

    live = True

    def __init__(
        self,
        target: Target,
        *,
        quarter_turns: int | None = None,
        device: str = "cpu",
        tap: Tap | None = None,
        say: Say = log.warning,
        clock: Clock = time.monotonic,
        wall: Wall = local_now,
    ) -> None:
        """Prepare; nothing is opened yet.

        Args:
            target: what to open.
            quarter_turns: clockwise turns that make it upright; None takes them from the stream.
            device: where frames may stay; a graphics card decodes what it can.
            tap: is given the packets beside the frames.
            say: takes a sentence for the user.
            clock: monotonic, seconds.
            wall: the date and time, with a time zone.
        """
        super().__init__(target.label)
        self._target = target
        self._device = device
        self._tap = tap
        self._say = say
        self._clock = clock
        self._wall = wall
        self._framer = Framer(target.label, quarter_turns, say)
        self._frames: Iterator[av.VideoFrame] = iter(())

    def _open(self) -> None:
        self._container = Container(
            self._target, self._say, self._device, tap=self._tap, live=True, clock=self._clock
        )
        self._frames = self._container.frames()

    def _next(self) -> Frame | None:
        container = self._container
        if container is None:
            raise SourceLost(f"{self.name}: is not connected")
        try:
            decoded = next(self._frames, None)
        except (av.error.FFmpegError, OSError) as e:
            if isinstance(e, (av.error.ExitError, av.error.TimeoutError)):
                raise SourceLost(f"{self.name}: nothing comes any more") from e
            text = getattr(e, "strerror", None) or str(e)
            raise SourceLost(f"{self.name}: the connection broke ({text})") from e
        if decoded is None:  # a live source has no end: whoever sent it is gone
            raise SourceLost(f"{self.name}: the sender stopped")
        now = self._clock()
        pts, time_base = decoded.pts, decoded.time_base
        if container.format_name in UNTIMED_FORMATS:  # take the arrival
            pts, time_base = round(now * 1_000_000), _MICROSECOND
        frame = self._framer.frame(
            decoded,
            container.codec_name,
            pts=pts,
            time_base=time_base,
            arrived_s=now,
            taken=self._wall(),
            matrix=container.decoder.display_matrix,
        )
        self._hand(0, frame)
        return frame
