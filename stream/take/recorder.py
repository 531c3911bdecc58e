"""Takes begin and end here: one at a time, from a ring that a source fills."""

from __future__ import annotations

import shutil
import threading
import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path

from filelock import FileLock, Timeout

from stream.capture.media import local_now
from stream.capture.microphone import Microphone
from stream.capture.tap import SECOND_US
from stream.event import Event
from stream.take.about import About, drafted, keep_new
from stream.take.backlog import MOST_BYTES, Backlog
from stream.take.media_file import LEAST_FREE_BYTES
from stream.take.record import Take, TakeError
from stream.take.recording import Plan, Recording
from stream.take.ring import BEGIN_BYTES, MOST_FRAME_BYTES, PacketRing

LONGEST_S = 3600.0
"""chosen: far longer than any greeting; a forgotten button does not fill a disk with more."""
LOCK = "recording.lock"
# chosen: writing a view and an index takes a fraction of this on a slow disk.
_STOP_WITHIN_S = 60.0


@dataclass(frozen=True)
class RecorderState:
    """How a recorder stands.

    Attributes:
        recording: a take is being written.
        take_id: of that take, or of the last one; empty before the first.
        elapsed_s: how much of it is shown so far, what lies before the press included.
        most_s: how much that may be.
        before_s: how much of it lies before the press.
        bytes: size of its file.
        sound: where its sound is from; empty where it has none.
        level: the microphone's loudest sample of the last second, 0 to 1.
        trouble: a sentence for people; empty while all is well.
        waiting: it waits for the source's next key frame.
    """

    recording: bool = False
    take_id: str = ""
    elapsed_s: float = 0.0
    most_s: float = 0.0
    before_s: float = 0.0
    bytes: int = 0
    sound: str = ""
    level: float = 0.0
    trouble: str = ""
    waiting: bool = False


def recording_lock(folder: Path) -> FileLock:
    """The lock that is held while a take's folder is written; a program that dies drops it."""
    return FileLock(folder / LOCK, timeout=0, thread_local=False)


class Recorder:
    """Records takes of one event. Threads may share it."""

    def __init__(
        self,
        event: Event,
        microphone: Microphone | None = None,
        *,
        on_end: Callable[[Take], None] | None = None,
        clock: Callable[[], float] = time.monotonic,
        wall: Callable[[], datetime] = local_now,
    ) -> None:
        """Prepare.

        Args:
            event: where takes are kept.
            microphone: where sound is from; None for the source's own track, if it has one. It
                is opened for a take if it is not open yet, and left open.
            on_end: is given every take that has ended, for whatever reason, by its own thread.
            clock: monotonic, seconds; the one that frames arrive by.
            wall: the date and time, with a time zone.
        """
        self._event = event
        self._microphone = microphone
        self._on_end = on_end
        self._clock, self._wall = clock, wall
        self._guard = threading.Lock()
        self._now: Recording | None = None
        self._lock: FileLock | None = None
        self._most_s = self._before_s = 0.0

    def start(
        self, ring: PacketRing, about: About, *, before_s: float = 0.0, most_s: float = 90.0
    ) -> Take:
        """Begin a take; when this returns, its record survives a power cut.

        Args:
            ring: what the source gives.
            about: of whom and what it is.
            before_s: how much before this instant is to be in it; as far back as the ring goes.
            most_s: it ends by itself when so much is shown.

        Returns:
            The take, being recorded.

        Raises:
            UserError: nothing can be recorded now, or the disk did not take it.
        """
        with self._guard:
            if self._now is not None and not self._now.ended.is_set():
                raise TakeError(
                    f"take {self._now.take.id} is still being recorded; end it before another."
                )
            return self._start(ring, about, before_s, most_s)

    def _start(self, ring: PacketRing, about: About, before_s: float, most_s: float) -> Take:
        shown, streams = ring.shown, ring.streams
        if ring.refused:
            raise TakeError(f"{ring.refused}.")
        if shown is None or streams is None:
            raise TakeError("there is no picture yet; wait for the camera, and record it then.")
        if not 0 < most_s <= LONGEST_S or before_s < 0:
            raise TakeError(
                f"a take of {most_s:g} s with {before_s:g} s before it was asked for; its length "
                f"may be up to {LONGEST_S:g} s, and what lies before it none or more."
            )
        root = self._event.paths.root
        if shutil.disk_usage(root).free < 2 * LEAST_FREE_BYTES:
            raise TakeError(f"the disk with {root} is full; make room on it, and record it then.")
        now = self._clock()
        if self._microphone is not None:
            self._microphone.open()
        press_us = ring.line_us(now)
        # Of frames all that the ring holds, and what comes while the encoder begins.
        most = MOST_BYTES if streams.picture is not None else MOST_FRAME_BYTES + BEGIN_BYTES
        backlog = Backlog(most)
        ring.attach(backlog, press_us - round(before_s * SECOND_US), sound=self._microphone is None)
        try:
            first = backlog.first_key()
            begin_us = press_us - round(before_s * SECOND_US)
            if first is not None:
                begin_us = max(begin_us, first.at_us)
            zero_us = begin_us if first is None else first.at_us
            ago = timedelta(microseconds=press_us - zero_us)
            draft = drafted(
                self._event,
                about,
                begun=self._wall() - ago,
                source=shown.source,
                turns=shown.quarter_turns,
            )
            take = keep_new(self._event, draft, named=self._hold)
        except BaseException:
            ring.detach(backlog)
            self._let_go()
            raise
        shapes = None if about.shapes is None else tuple(about.shapes)
        plan = Plan(None if first is None else zero_us, begin_us, round(most_s * SECOND_US), shapes)
        recording = Recording(
            self._event,
            take,
            plan,
            ring,
            backlog,
            self._microphone,
            clock=self._clock,
            wall=self._wall,
        )
        recording.on_close, recording.on_end = self._closed, self._on_end
        self._now = recording
        self._most_s, self._before_s = most_s, max(0, press_us - begin_us) / SECOND_US
        recording.begin(now - (press_us - zero_us) / SECOND_US)
        return take

    def _hold(self, folder: Path) -> None:
        """Show other processes that somebody writes here."""
        self._lock = recording_lock(folder)
        with suppress(OSError, Timeout):
            self._lock.acquire()

    def _let_go(self) -> None:
        lock, self._lock = self._lock, None
        if lock is not None:
            with suppress(OSError):
                lock.release()

    def _closed(self, take: Take) -> None:
        self._let_go()
        with suppress(OSError):
            (self._event.paths.takes / take.id / LOCK).unlink(missing_ok=True)

    def end(self) -> None:
        """End the take that is being recorded, if one is; returns at once."""
        if self._now is not None:
            self._now.ask_end()

    def stop(self) -> Take:
        """End the take that is being recorded, and wait until it is kept.

        Returns:
            The take; the last one, where it has ended by itself already.

        Raises:
            TakeError: nothing was recorded.
        """
        now = self._now
        if now is None:
            raise TakeError("no take is being recorded; begin one first.")
        now.ask_end()
        if not now.ended.wait(_STOP_WITHIN_S):
            raise TakeError(
                f"take {now.take.id} could not be ended in {_STOP_WITHIN_S:.0f} s; its disk does "
                "not answer; what was recorded is there after a restart."
            )
        return now.take

    def close(self) -> None:
        """End what is being recorded; for the end of the program."""
        if self._now is not None and not self._now.ended.is_set():
            self.stop()

    def state(self) -> RecorderState:
        """How it stands."""
        heard = self._microphone.state() if self._microphone is not None else None
        level = heard.level if heard is not None else 0.0
        now = self._now
        if now is None:
            return RecorderState(level=level)
        recording = not now.ended.is_set()
        trouble = now.trouble or (heard.trouble if heard is not None and recording else "")
        return RecorderState(
            recording,
            now.take.id,
            now.elapsed_us / SECOND_US if recording else 0.0,
            self._most_s,
            self._before_s,
            now.bytes,
            now.take.sound,
            level,
            trouble,
            now.waiting,
        )
