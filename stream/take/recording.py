"""One take while it is recorded: a thread that writes what the source's thread sets aside."""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

import av

from stream.capture.microphone import Microphone
from stream.capture.parameters import Parameters
from stream.capture.tap import SECOND_US, Piece
from stream.durable import StorageError, held, storage_sentence
from stream.event import Event
from stream.shot.frames import FrameFileError
from stream.take.backlog import Backlog, missing_words
from stream.take.encoding import FrameEncoder
from stream.take.finding import replace_take
from stream.take.media_file import MediaFile
from stream.take.record import Take, TakeError
from stream.take.ring import PacketRing
from stream.take.settling import settled

log = logging.getLogger("posewall.take")

# chosen: sound cards answer within a fraction of this.
_SOUND_WITHIN_S = 3.0
# chosen: a source that is silent for so long after the end was asked for has nothing to add.
_REST_WITHIN_S = 1.0
_REST_US = round(_REST_WITHIN_S * SECOND_US)
_TICK_S = 0.05
KEY_WITHIN_S = 12.0
"""chosen: cameras send a key frame every one to ten seconds."""


@dataclass(frozen=True)
class Plan:
    """How a take is to be recorded.

    Attributes:
        zero_us: the instant 0 of the take on the ring's line; None until a key frame comes.
        begin_us: where what is shown begins, on the ring's line.
        most_us: how long that may be.
        shapes: what films are wanted; None for what the event says.
    """

    zero_us: int | None
    begin_us: int
    most_us: int
    shapes: tuple[str, ...] | None


class _Ear:
    """Puts a microphone's packets into a backlog, laid on the ring's line."""

    def __init__(self, backlog: Backlog, ring: PacketRing) -> None:
        self._backlog = backlog
        self._ring = ring

    def put(self, piece: Piece) -> None:
        at_us = self._ring.line_us(piece.at_us / SECOND_US)
        self._backlog.put(piece.moved(at_us - piece.at_us))


class Recording(threading.Thread):
    """Writes one take, from its first key frame to its end.

    Attributes:
        take: its record, as it is kept now.
        trouble: a sentence for people; empty while all is well.
        ended: set once it is kept.
        on_close: is given it just before that; must not raise.
        on_end: is given it after that.
    """

    def __init__(
        self,
        event: Event,
        take: Take,
        plan: Plan,
        ring: PacketRing,
        backlog: Backlog,
        microphone: Microphone | None,
        *,
        clock: Callable[[], float],
        wall: Callable[[], datetime],
    ) -> None:
        super().__init__(name="take", daemon=True)
        self._event, self._plan, self._ring, self._backlog = event, plan, ring, backlog
        self._microphone = microphone
        self._clock, self._wall = clock, wall
        self._folder = event.paths.takes / take.id
        self._file: MediaFile | None = None
        self._encoder: FrameEncoder | None = None
        self._asked_s: float | None = None
        self._end_us = plan.begin_us + plan.most_us
        self._ear = _Ear(backlog, ring)
        self._has_sound = False
        self._sound_us: int | None = None
        self.take = take
        self.trouble = ""
        self.ended = threading.Event()
        self.on_close: Callable[[Take], None] | None = None
        self.on_end: Callable[[Take], None] | None = None

    @property
    def bytes(self) -> int:
        """How large the file is so far."""
        return self._file.bytes if self._file is not None else 0

    @property
    def waiting(self) -> bool:
        """Whether it still waits for a picture that it can begin with."""
        return self._file is None and not self.ended.is_set()

    @property
    def elapsed_us(self) -> int:
        """How much of it is shown so far."""
        now_us = min(self._ring.line_us(self._clock()), self._end_us)
        return max(0, now_us - self._plan.begin_us)

    def ask_end(self) -> None:
        """End it now; what was shown up to this instant is still written."""
        now = self._clock()
        if self._asked_s is None:
            self._end_us = min(self._end_us, max(self._ring.line_us(now), self._plan.begin_us + 1))
            self._asked_s = now
            if self._encoder is not None:
                self._encoder.finish(self._end_us)

    def begin(self, from_s: float) -> None:
        """Begin to record.

        Args:
            from_s: since when sound is wanted, on the clock.
        """
        if self._microphone is not None:
            self._microphone.attach(self._ear, round(from_s * SECOND_US))
        self.start()

    # The thread.

    def run(self) -> None:
        try:
            self._record()
        except (OSError, ValueError) as e:
            self._fail(e)
        except (TakeError, StorageError, FrameFileError) as e:
            self.trouble = str(e)
        except Exception as e:
            log.exception("take %s: recording failed", self.take.id)
            self.trouble = f"recording failed ({e}); see the log"
        finally:
            try:
                self._close()
            except Exception as e:
                log.exception("take %s: could not be ended", self.take.id)
                self.trouble = f"the take could not be ended well ({e}); see the log"
            finally:
                # Before anybody may begin another, which has a lock of its own.
                if self.on_close is not None:
                    self.on_close(self.take)
                self.ended.set()
        if self.on_end is not None:
            self.on_end(self.take)

    def _fail(self, error: Exception) -> None:
        if isinstance(error, OSError) and not isinstance(error, av.error.FFmpegError):
            self.trouble = storage_sentence(error, "the rest of this take", self._folder)
        else:
            self.trouble = f"the rest of this take could not be written ({error})"
        log.error("take %s: %s", self.take.id, self.trouble)
        file, self._file = self._file, None
        if file is not None:
            file.abandon()

    def _record(self) -> None:
        first = self._first()
        if first is None:
            return
        source = self._backlog
        if first.frame is not None:
            source = self._begin_encoder(first)
        self._begin_file(first, source)
        while True:
            piece = source.get(_TICK_S)
            if piece is not None:
                if not piece.sound and piece.decode_us >= self._end_us:
                    break
                self._write(piece, first.at_us)
                if not piece.sound:  # which goes on when the camera is gone
                    continue
            if source.over:
                if not source.ended:  # all that was to be compressed is
                    break
                self.trouble = self.trouble or source.ended
                return
            # What waits is written first, however late this thread is.
            if (piece is None or piece.at_us >= self._end_us + _REST_US) and self._rested():
                return
        self._rest_of_sound(source, first.at_us)

    def _first(self) -> Piece | None:
        """The key frame that it begins with; waits for it."""
        since_s = self._clock()
        while True:
            piece = self._backlog.first_key()
            if piece is not None:
                return piece
            now = self._clock()
            if self._backlog.ended is not None:
                raise TakeError(self._backlog.ended)
            if self._asked_s is not None and now - self._asked_s > _REST_WITHIN_S:
                raise TakeError("nothing was recorded, since the source sent no key frame")
            if now - since_s > KEY_WITHIN_S:
                raise TakeError(
                    f"the source sent no key frame for {KEY_WITHIN_S:.0f} s; set the camera to "
                    "send one each second or two"
                )
            self.ended.wait(_TICK_S)

    def _begin_encoder(self, first: Piece) -> Backlog:
        self._encoder = FrameEncoder(self._backlog, first)
        self._encoder.finish(self._end_us)
        while self._encoder.parameters is None:
            if self._encoder.out.ended is not None:
                raise TakeError("its pictures could not be compressed; see the log")
            self._rested()
            self.ended.wait(_TICK_S)
        return self._encoder.out

    def _begin_file(self, first: Piece, source: Backlog) -> None:
        streams = self._ring.streams
        picture = streams.picture if streams is not None else None
        if self._encoder is not None:
            picture = self._encoder.parameters
        if picture is None:
            raise TakeError("the source changed as the take began; record it again")
        sound, word = (streams.sound, "the source's own track") if streams else (None, "")
        if self._microphone is not None:
            sound, word = self._begin_sound(self._microphone)
        elif streams is not None and streams.silent:
            self.take = self.take.noting(f"recorded without sound: {streams.silent}")
        if sound is None:
            word = ""
        self._has_sound = sound is not None
        self._keep_begin(first.at_us, word)
        metadata = {"title": self.take.id, "DATE_RECORDED": self.take.begun.isoformat()}
        self._file = MediaFile(
            self._folder / self.take.file, picture, sound, clock=self._clock, metadata=metadata
        )

    def _begin_sound(self, microphone: Microphone) -> tuple[Parameters | None, str]:
        since_s = self._clock()
        while not microphone.wait(_TICK_S) and self._asked_s is None:
            trouble = microphone.state().trouble
            if trouble or self._clock() - since_s > _SOUND_WITHIN_S:
                break
        parameters = microphone.parameters
        if parameters is None:
            why = microphone.state().trouble or f"microphone {microphone.name}: gave nothing"
            self.take = self.take.noting(f"recorded without sound: {why}")
        return parameters, f"microphone {microphone.name}"

    def _keep_begin(self, zero_us: int, sound: str) -> None:
        """Keep what is only known once the first picture is there."""
        begin_us = max(self._plan.begin_us, zero_us)
        if self._plan.zero_us is None:  # nobody saw anything before it
            if self._asked_s is None:
                self._end_us += begin_us - self._plan.begin_us
                if self._encoder is not None:
                    self._encoder.finish(self._end_us)
            self._plan = replace(self._plan, zero_us=zero_us, begin_us=begin_us)
        now = self._clock()
        ago_us = self._ring.line_us(now) - zero_us
        self.take = replace(
            self.take,
            begun=self._wall() - timedelta(microseconds=ago_us),
            begin_s=(begin_us - zero_us) / SECOND_US,
            sound=sound,
        )
        with held(self._event.paths.lock):
            replace_take(self._event, self.take)

    def _write(self, piece: Piece, zero_us: int) -> None:
        if piece.at_us < zero_us or self._file is None:
            return  # shown before the key frame, so that it cannot be decoded; sound of that time
        if piece.sound and (not self._has_sound or piece.at_us >= self._end_us):
            return
        self._file.write(piece.moved(-zero_us))
        if piece.sound:
            self._sound_us = piece.at_us + piece.length_us

    def _rested(self) -> bool:
        """Whether nothing more will come, after the end was asked for or the time is over."""
        over_s = (self._ring.line_us(self._clock()) - self._end_us) / SECOND_US
        if over_s <= _REST_WITHIN_S:
            return False
        if self._encoder is None:
            return True
        # What it was given it still gives; of a source that is lost no frame comes that ends it.
        self._backlog.end("")
        return not self._encoder.busy and self._encoder.out.ended is None

    def _rest_of_sound(self, source: Backlog, zero_us: int) -> None:
        """Sound comes a little later than the picture."""
        until_s = self._clock() + _REST_WITHIN_S
        while self._has_sound:
            if self._sound_us is not None and self._sound_us >= self._end_us:
                return
            piece = source.get(_TICK_S)
            if piece is None:
                if source.ended or self._clock() >= until_s:
                    return
                self.ended.wait(_TICK_S)
            elif piece.sound:
                if piece.at_us >= self._end_us:  # none that is later belongs to it
                    return
                self._write(piece, zero_us)
            elif piece.decode_us >= self._end_us + _REST_US:
                return

    def _close(self) -> None:
        self._ring.detach(self._backlog)
        if self._microphone is not None:
            self._microphone.detach(self._ear)
        gaps = list(self._backlog.gaps)
        if self._encoder is not None:
            self._encoder.close()
            gaps += self._encoder.out.gaps
        self._backlog.close()
        file, self._file = self._file, None
        try:
            if file is not None:
                file.finish()
        except (OSError, ValueError) as e:
            self._file = file
            self._fail(e)
        missing = missing_words(gaps, self._plan.zero_us, self._end_us)
        if missing:
            self.take = self.take.noting(missing)
        if self.trouble:
            self.take = self.take.noting(self.trouble)
        end_s = (self._end_us - (self._plan.zero_us or self._plan.begin_us)) / SECOND_US
        self.take = settled(self._event, self.take, end_s, self._plan.shapes)
        log.info("take %s has ended after %.1f s", self.take.id, self.take.length_s or 0.0)
