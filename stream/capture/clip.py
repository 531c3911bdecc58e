"""A video file, at its own pace or as fast as it can be read."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from datetime import datetime, timedelta
from fractions import Fraction
from pathlib import Path

import av

from stream.capture.container import Container, Say, Target
from stream.capture.decoder import Decoder
from stream.capture.errors import SourceError
from stream.capture.frame import Frame
from stream.capture.media import Clock, Framer, MediaSource, Wall, local_now, log
from stream.capture.tap import SECOND_US, Tap

# chosen: a longer gap between two frames is an edit in the timestamps, not a pause to sit through.
_LONGEST_GAP_S = 10.0
# chosen: a reader this late has been held up; it goes on from here and does not race to catch up.
_LATEST_S = 1.0
# chosen: a clip this much shorter than it says was cut off in mid-recording.
_SHORT_S = 0.5


class Pace:
    """Holds frames back until their time comes."""

    def __init__(self, clock: Clock, sleep: Callable[[float], object]) -> None:
        self._clock = clock
        self._sleep = sleep
        self._zero_s: float | None = None
        self._last_s = 0.0

    def wait(self, at_s: float) -> None:
        """Wait until ``at_s``, seconds on the clip's own time line, has come."""
        now = self._clock()
        gap = at_s - self._last_s
        if self._zero_s is None or gap < 0 or gap > _LONGEST_GAP_S:
            self._zero_s = now - at_s
        self._last_s = at_s
        early = self._zero_s + at_s - now
        if early > 0:
            self._sleep(early)
        elif early < -_LATEST_S:
            self._zero_s = now - at_s


def _recorded(container: Container) -> datetime | None:
    """The date that the camera wrote into the file; None without a time zone or a date."""
    try:
        date = datetime.fromisoformat(container.metadata.get("creation_time", ""))
    except ValueError:
        return None
    # Cameras whose clock was never set write the epoch of the format.
    return date if date.tzinfo is not None and date.year > 1980 else None


class Clip(MediaSource):
    """A video file."""

    live = False

    def __init__(
        self,
        path: Path,
        *,
        quarter_turns: int | None = None,
        paced: bool = True,
        loop: bool = False,
        device: str = "cpu",
        tap: Tap | None = None,
        say: Say = log.warning,
        clock: Clock = time.monotonic,
        sleep: Callable[[float], object] | None = None,
        wall: Wall = local_now,
    ) -> None:
        """Prepare; nothing is opened yet.

        Args:
            path: the file.
            quarter_turns: clockwise turns that make it upright; None takes them from the file.
            paced: by the timestamps; False is as fast as possible.
            loop: begin again at the end, the timestamps running on.
            device: where frames may stay; a graphics card decodes what it can.
            tap: is given the packets beside the frames.
            say: takes a sentence for the user.
            clock: monotonic, seconds.
            sleep: waits so many seconds; the default wakes on `close`.
            wall: the date and time, with a time zone.
        """
        super().__init__(path.name)
        self._path = path
        self._paced = paced
        self._loop = loop
        self._device = device
        self._decoder: Decoder | None = None
        self._tap = tap
        self._say = say
        self._clock = clock
        self._sleep = sleep or self._closing.wait
        self._wall = wall
        self._framer = Framer(path.name, quarter_turns, say)
        self._first: av.VideoFrame | None = None
        self._frames: Iterator[av.VideoFrame] = iter(())

    def _check_path(self) -> None:
        if not self._path.exists():
            raise SourceError(f"{self._path}: there is no such file; check the name")
        if self._path.is_file() and self._path.stat().st_size == 0:
            raise SourceError(f"{self._path}: the file is empty; copy it from the camera again")

    def _start(self) -> None:
        """Open the file and decode its first frame, so that an unreadable one is refused at once.

        Also resets the clip's time line.
        """
        self._check_path()
        # The file: prefix keeps names with a colon from being read as an address; the list keeps a
        # playlist that poses as a clip from reaching into the network.
        target = Target(
            f"file:{self._path}",
            self._path.name,
            options={"protocol_whitelist": "file"},
        )
        container = Container(
            target, self._say, self._device, self._decoder, tap=self._tap, clock=self._clock
        )
        self._container = container
        self._decoder = container.decoder
        self._frames = container.frames()
        try:
            self._first = next(self._frames, None)
        except (av.error.FFmpegError, OSError) as e:
            self._let_go()
            raise SourceError(f"{self.name}: cannot be read ({e}); copy the file again") from e
        if self._first is None:
            self._let_go()
            raise SourceError(
                f"{self.name}: holds no picture that can be read; need a complete video file; "
                "copy it from the camera again"
            )
        stream = container.stream
        self._tick = self._first.time_base or stream.time_base or Fraction(1, 90_000)
        rate = stream.average_rate or stream.guessed_rate or Fraction(25)
        self._step = max(1, round(1 / (rate * self._tick)))
        self._offset: int | None = None

    def _open(self) -> None:
        self._next_pts = 0
        self._begin: int | None = None
        self._pace = Pace(self._clock, self._sleep)
        self._rounds = 0
        self._start()

    def _next(self) -> Frame | None:
        if self._container is None:
            return None
        decoded, self._first = self._first, None
        if decoded is None:
            decoded = self._decode()
        if decoded is None:
            self._tell(None)
            self._finish(self._container)
            self._let_go()
            if not self._loop:
                return None
            self._rounds += 1
            self._start()
            decoded, self._first = self._first, None
        container = self._container
        if decoded is None or container is None:
            return None
        raw = decoded.pts
        if self._offset is None:  # loops run on from where the last round ended
            self._offset = self._next_pts - raw if self._rounds and raw is not None else 0
        pts = raw + self._offset if raw is not None else self._next_pts
        self._next_pts = pts + self._step
        if self._begin is None:
            self._begin = pts
        if self._paced:
            self._pace.wait(float(pts * self._tick))
        start = _recorded(container)
        ran = timedelta(seconds=max(0.0, float((pts - self._begin) * self._tick)))
        frame = self._framer.frame(
            decoded,
            container.codec_name,
            pts=pts,
            time_base=self._tick,
            arrived_s=self._clock(),
            taken=start + ran if start is not None else self._wall(),
            matrix=container.decoder.display_matrix,
        )
        self._tell(frame)
        return frame

    def _tell(self, frame: Frame | None) -> None:
        shift_us = round((self._offset or 0) * self._tick * SECOND_US)
        self._hand(shift_us, frame, again=self._rounds > 0)

    def _decode(self) -> av.VideoFrame | None:
        try:
            return next(self._frames, None)
        except (av.error.FFmpegError, OSError) as e:
            self._say(f"{self.name}: reading stopped ({e}); what came before it was played")
            return None

    def _finish(self, container: Container) -> None:
        """Say once what was missing of the clip."""
        if self._rounds:
            return
        promised = container.promised_s
        played = float((self._next_pts - (self._begin or 0)) * self._tick)
        if promised is not None and played < promised - _SHORT_S:
            self._say(
                f"{self.name}: ends after {played:.1f} s of {promised:.1f} s; the file was cut "
                "off, copy it from the camera again if the rest is needed"
            )
        elif container.damaged:
            self._say(f"{self.name}: damaged pieces left out in all: {container.damaged}")
