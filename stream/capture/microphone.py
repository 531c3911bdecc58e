"""A microphone that is listened to: its packets, stamped by the computer's clock.

Sound cards stamp by clocks of their own, or by a wall clock that is set while they run. What says
when something was heard is the number of samples so far and when they arrived; so a card that runs
a little fast or slow stays with the picture.
"""

from __future__ import annotations

import threading
import time
from collections import deque
from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import dataclass
from typing import Protocol

import av
import numpy as np
from av.audio.stream import AudioStream

from stream.capture.clock_offset import ClockOffset
from stream.capture.container import Target
from stream.capture.errors import SourceError, SourceLost
from stream.capture.media import Clock, log
from stream.capture.parameters import Parameters, parameters_of
from stream.capture.tap import SECOND_US, Piece

_KINDS = {
    **{"pcm_s16le": "<i2", "pcm_s16be": ">i2", "pcm_s32le": "<i4", "pcm_s32be": ">i4"},
    **{"pcm_f32le": "<f4", "pcm_f32be": ">f4", "pcm_u8": "u1"},
}
# chosen: so long silent to the last bit, a microphone is switched off or muted.
_SILENT_S = 3.0
FIRST_RETRY_S = 0.5
LONGEST_RETRY_S = 8.0


class Listener(Protocol):
    """Whoever takes the packets."""

    def put(self, piece: Piece) -> None:
        """Take one, without waiting."""


@dataclass(frozen=True)
class MicrophoneState:
    """How it stands.

    Attributes:
        listening: sound comes.
        level: the loudest sample of the last second, 0 to 1.
        trouble: a sentence for people; empty while all is well.
    """

    listening: bool
    level: float
    trouble: str


class _Opened:
    """An opened device; used by one thread."""

    def __init__(self, target: Target) -> None:
        label = target.label
        try:
            self._input = av.open(target.url, format=target.format, options=dict(target.options))
        except (av.error.FFmpegError, OSError, ValueError) as e:
            text = getattr(e, "strerror", None) or str(e)
            raise SourceError(
                f"microphone {label}: cannot be opened ({text}); check its cable, and that no "
                "other program holds it"
            ) from e
        found = next(iter(self._input.streams.audio), None)
        parameters = None if found is None else parameters_of(found)
        if found is None or parameters is None:
            self._input.close()
            raise SourceError(f"microphone {label}: gives no sound; choose another one")
        self.stream: AudioStream = found
        self.parameters: Parameters = parameters
        self.kind = _KINDS.get(found.codec_context.name)
        if self.kind is None:
            self._input.close()
            raise SourceError(
                f"microphone {label}: gives {found.codec_context.name}; plain samples are needed; "
                "choose another one"
            )
        self.frame_bytes = np.dtype(self.kind).itemsize * found.codec_context.channels

    def packets(self) -> Iterator[av.Packet[AudioStream]]:
        while True:
            try:
                yield from self._input.demux(self.stream)
                return
            except av.error.BlockingIOError:  # nothing yet
                time.sleep(0.002)

    def close(self) -> None:
        self._input.close()


def _peak(data: bytes, kind: str) -> float:
    samples = np.frombuffer(data, kind)
    if not samples.size:
        return 0.0
    if kind == "u1":
        return float(np.abs(samples.astype(np.int16) - 128).max()) / 128
    if kind.endswith("f4"):
        return float(np.abs(samples).max())
    # Not abs of the array: the least value has no positive one.
    least, most = int(samples.min()), int(samples.max())
    return max(-least, most) / float(1 << (8 * samples.itemsize - 1))


class Microphone:
    """Listens on a thread of its own, keeps the last seconds, and comes back when unplugged.

    Attributes:
        name: for people.
    """

    def __init__(
        self,
        make: Callable[[], Target],
        *,
        name: str,
        keep_s: float = 5.0,
        late_s: float = 0.0,
        clock: Clock = time.monotonic,
    ) -> None:
        """Prepare; nothing is opened yet.

        Args:
            make: what to open, asked anew for every attempt.
            name: for people.
            keep_s: how much is kept for a take that begins before the press.
            late_s: how much later than the picture its sound comes.
            clock: monotonic, seconds; the one that frames arrive by.
        """
        self.name = name
        self._make = make
        self._keep_us = round((keep_s + 1.0) * SECOND_US)
        self._late_us = round(late_s * SECOND_US)
        self._clock = clock
        self._lock = threading.Condition()
        self._kept: deque[Piece] = deque()
        self._listeners: list[Listener] = []
        # Of the thread that listens now: one that was left behind has another, which is set.
        self._closed = threading.Event()
        self._thread: threading.Thread | None = None
        self.parameters: Parameters | None = None
        self._trouble = ""
        self._listening = self._heard = False
        self._peaks: deque[tuple[float, float]] = deque()
        self._sounded_s: float | None = None

    def open(self) -> Microphone:
        """Begin to listen; returns at once."""
        if self._thread is None:
            self._closed = threading.Event()
            self._thread = threading.Thread(
                target=self._listen, args=(self._closed,), name="microphone", daemon=True
            )
            self._thread.start()
        return self

    def close(self) -> None:
        """Stop listening; waits at most a second for the device to answer.

        What a device gives that answers later falls away, also when it was opened again meanwhile.
        """
        with self._lock:
            self._closed.set()
            self._kept.clear()
            self._listening = self._heard = False
        thread, self._thread = self._thread, None
        if thread is not None:
            thread.join(1.0)

    def wait(self, timeout_s: float) -> bool:
        """Wait for the first sound; whether it came, now or earlier."""
        with self._lock:
            return self._lock.wait_for(lambda: self.parameters is not None, timeout_s)

    def attach(self, listener: Listener, from_us: int) -> None:
        """Give a listener what was heard since an instant of the clock, and all that comes.

        Pieces are stamped by the computer's clock, in microseconds.
        """
        with self._lock:
            for piece in self._kept:
                if piece.at_us + piece.length_us > from_us:
                    listener.put(piece)
            self._listeners.append(listener)

    def detach(self, listener: Listener) -> None:
        """Give it nothing more."""
        with self._lock:
            self._listeners = [x for x in self._listeners if x is not listener]

    def state(self) -> MicrophoneState:
        """How it stands."""
        now = self._clock()
        with self._lock:
            level = max((p for at, p in self._peaks if at > now - 1.0), default=0.0)
            trouble = self._trouble
            if self._listening and self._sounded_s is not None:
                silent_s = now - self._sounded_s
                if silent_s > _SILENT_S:
                    trouble = (
                        f"microphone {self.name}: nothing but silence for {silent_s:.0f} s; check "
                        "that it is switched on and not muted"
                    )
            return MicrophoneState(self._listening, level, trouble)

    # The thread.

    def _listen(self, closed: threading.Event) -> None:
        wait_s = FIRST_RETRY_S
        while not closed.is_set():
            try:
                self._hear(closed)
                raise SourceLost(f"microphone {self.name}: gives nothing any more")
            except (SourceError, SourceLost) as e:
                self._lose(closed, str(e))
            except (av.error.FFmpegError, OSError) as e:
                text = getattr(e, "strerror", None) or str(e)
                self._lose(closed, f"microphone {self.name}: stopped ({text}); check its cable")
            except Exception as e:  # noqa: BLE001 - the one place: no sound card ends the event
                log.exception("microphone %s: listening failed", self.name)
                self._lose(closed, f"microphone {self.name}: listening failed ({e}); see the log")
            with self._lock:
                if self._heard and not closed.is_set():
                    self._heard, wait_s = False, FIRST_RETRY_S
            closed.wait(wait_s)
            wait_s = min(2 * wait_s, LONGEST_RETRY_S)

    def _lose(self, closed: threading.Event, why: str) -> None:
        with self._lock:
            if closed.is_set():
                return
            if why != self._trouble:
                log.warning("%s", why)
            self._trouble, self._listening = why, False

    def _hear(self, closed: threading.Event) -> None:
        opened = _Opened(self._make())
        try:
            with self._lock:
                if closed.is_set():
                    return
                if self.parameters is not None and self.parameters != opened.parameters:
                    # Another form does not go on in the track that a take has begun.
                    self._kept.clear()
                    self._listeners = []
                self._trouble = ""
            rate = opened.stream.codec_context.sample_rate
            offset: ClockOffset | None = None
            heard = 0
            for packet in opened.packets():
                if closed.is_set():
                    return
                count = packet.size // opened.frame_bytes
                if not count:
                    continue
                now_us = round(self._clock() * SECOND_US)
                began_us = heard * SECOND_US // rate
                heard += count
                offset = offset or ClockOffset()
                offset.add(heard * SECOND_US // rate, now_us)
                at_us = began_us + offset.offset_us - self._late_us
                length_us = count * SECOND_US // rate
                data = bytes(packet)
                piece = Piece(at_us, at_us, length_us, True, True, True, data, size=len(data))
                self._take(piece, opened, now_us, closed)
        finally:
            with suppress(av.error.FFmpegError, OSError):
                opened.close()

    def _take(self, piece: Piece, opened: _Opened, now_us: int, closed: threading.Event) -> None:
        peak = _peak(piece.data, opened.kind or "")
        now = now_us / SECOND_US
        with self._lock:
            if closed.is_set():
                return
            self.parameters, self._listening = opened.parameters, True
            if not self._heard:  # what was silent before it was plugged in does not count
                self._heard, self._sounded_s = True, now
            if peak > 0 or self._sounded_s is None:
                self._sounded_s = now
            self._peaks.append((now, peak))
            while self._peaks[0][0] < now - 1.0:
                self._peaks.popleft()
            self._kept.append(piece)
            while self._kept[0].at_us < piece.at_us - self._keep_us:
                self._kept.popleft()
            for listener in self._listeners:
                listener.put(piece)
            self._lock.notify_all()
