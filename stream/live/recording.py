"""What records takes of the live picture: the recorder, and where its sound comes from."""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from typing import Any

from models.errors import PosewallError
from stream.capture.microphone import Microphone
from stream.capture.microphones import microphone_target, microphones
from stream.durable import sweep_partials
from stream.errors import UserError
from stream.event import Event
from stream.live.keeping import Keeper
from stream.live.lately import Lately
from stream.live.taking import Taking
from stream.take import About, PacketRing, Recorder, RecorderState, Take, cut_off_takes, sweep_takes

log = logging.getLogger("posewall.live")

# chosen: who was recorded may still be there, or be called back; of an earlier one its notes tell.
TOLD_FOR = timedelta(hours=2)
OWN, NONE = "own", "none"
OWN_WORDS = "the source's own track"


class SoundChoice:
    """Where the sound of takes comes from.

    Without a wish it is the source's own track where it has one, else the first microphone that
    is plugged in; that is known once the source is open. A microphone that nobody named is
    listened to only when the first take is counted in.

    Args:
        wish: a microphone's number or name, `OWN`, `NONE`, or None for what there is.
        ring: what the source gives.
        tell: takes the sentence that says what was chosen.

    Raises:
        UserError: no such microphone is plugged in.
    """

    def __init__(self, wish: str | None, ring: PacketRing, tell: Callable[[str], None]) -> None:
        self._ring, self._tell = ring, tell
        self._lock = threading.Lock()
        self.decided = False
        self.words = ""
        """Where it comes from, for people; empty without, and until it is decided."""
        self.microphone: Microphone | None = None
        ring.wants_sound = wish in (None, OWN)
        if wish == NONE:
            self._decide("", "Takes are recorded without sound.")
        elif wish not in (None, OWN):
            self._listen(wish).open()
        self._wish = wish

    def _listen(self, wish: str) -> Microphone:
        name = microphone_target(wish).label
        self.microphone = Microphone(lambda: microphone_target(wish), name=name)
        words = f"microphone {name}"
        self._decide(words, f"Takes get the sound of {words}.")
        return self.microphone

    def _decide(self, words: str, sentence: str) -> None:
        self.decided, self.words = True, words
        self._tell(sentence)

    def tend(self) -> None:
        """Decide once the source is open; to be called now and then."""
        with self._lock:
            streams = self._ring.streams
            if self.decided or streams is None:
                return
            if streams.sound is not None:
                self._decide(OWN_WORDS, "Takes get the sound of the source's own track.")
            elif self._wish == OWN:
                self._decide("", "The source has no sound of its own; takes are without sound.")
            elif microphones():
                try:
                    self._listen("0")
                except PosewallError as error:
                    self._decide("", f"Takes are without sound: {error}.")
            else:
                why = "the source has none, and no microphone is plugged in"
                self._decide("", f"Takes are without sound: {why}.")

    def close(self) -> None:
        """Listen no more."""
        if self.microphone is not None:
            self.microphone.close()


class LiveRecorder:
    """Records takes of what a ring is given, with the sound that was chosen.

    Args:
        event: where takes are kept.
        ring: what the source gives.
        sound: where their sound comes from.
        about: of whom and what the next take is.
        on_end: is given every take that has ended.
    """

    def __init__(
        self,
        event: Event,
        ring: PacketRing,
        sound: SoundChoice,
        about: Callable[[], About],
        on_end: Callable[[Take], None],
    ) -> None:
        self._event, self._ring, self._sound = event, ring, sound
        self._about, self._on_end = about, on_end
        self._lock = threading.Lock()
        self._recorder: Recorder | None = None

    def _ready(self) -> Recorder | None:
        """The recorder, once it is known what it listens to."""
        self._sound.tend()
        with self._lock:
            if self._recorder is None and self._sound.decided:
                microphone = self._sound.microphone
                self._recorder = Recorder(self._event, microphone, on_end=self._on_end)
            return self._recorder

    def listen(self) -> None:
        """A take is coming: let the microphone be ready for it."""
        if self._ready() is not None and self._sound.microphone is not None:
            self._sound.microphone.open()

    def start(self, before_s: float, most_s: float) -> Take:
        """Begin a take; arguments as of `Recorder.start`.

        Raises:
            UserError: nothing can be recorded now, or the disk did not take it.
        """
        recorder = self._ready()
        if recorder is None:
            # Without a picture it says why, in its own words.
            recorder = Recorder(self._event)
        return recorder.start(self._ring, self._about(), before_s=before_s, most_s=most_s)

    def stop(self) -> Take:
        """End it, and wait until it is kept; the last one where it has ended by itself.

        Raises:
            UserError: nothing was recorded.
        """
        return (self._ready() or Recorder(self._event)).stop()

    def state(self) -> RecorderState:
        """How it stands."""
        recorder = self._recorder
        return recorder.state() if recorder is not None else RecorderState()


def cut_off_words(take: Take) -> str:
    """What is said of a take whose program ended while it was recorded."""
    if not take.length_s:
        return f"Take {take.id} was cut off when the program ended; nothing of it was recorded."
    return (
        f"Take {take.id} was cut off when the program ended; what was recorded until then is kept "
        f"({take.length_s:.1f} s). Look at it, or record it once more."
    )


def takes_of(
    recorder: Callable[[Callable[[Take], None]], LiveRecorder],
    sound: SoundChoice,
    *,
    event: Event,
    keeper: Keeper,
    lately: Lately,
    tell: Callable[[str], None],
    on_trouble: Callable[[str], None],
    on_change: Callable[[], None],
    on_mended: Callable[[str], None],
    now: Callable[[], datetime] = lambda: datetime.now(UTC),
) -> Taking:
    """What records takes and has their films made.

    Args:
        recorder: makes the recorder, given whom it is to tell of each take that has ended.
        sound: where their sound comes from.
        event: whose takes they are.
        keeper: queues them in its turn.
        lately: is told of each.
        tell, on_trouble, on_change: as of `Taking`.
        on_mended: takes a sentence on takes that were cut off when the program ended before.
        now: the wall clock, aware.
    """

    def queue(take_id: str) -> dict[str, Any]:
        from stream.batch import enqueue_take  # the queue's libraries: not before the picture

        try:
            enqueue_take(event, take_id)
        except PosewallError as error:
            raise UserError(
                f"Take {take_id} is kept, but its film is not queued: {error}"
            ) from error
        return {}

    def keep(take: Take) -> None:
        lately.recorded(take)
        # Where the program is ending, the worker finds it.
        keeper.do(lambda: queue(take.id))

    def mend() -> dict[str, Any]:
        sweep_partials(event.paths.takes)
        mended = sweep_takes(event)
        for take in mended:
            keep(take)
        # The queue's worker or a command may have been there first.
        known = {take.id for take in mended}
        others = [t for t in cut_off_takes(event, now() - TOLD_FOR) if t.id not in known]
        if mended or others:
            on_mended(" ".join(map(cut_off_words, (*mended, *others))))
        return {}

    taking = Taking(
        recorder(lambda take: taking.ended(take)),
        keep,
        tell,
        on_trouble,
        on_change,
        lambda: sound.words,
        longest_s=lambda: event.config.longest_s,
        greeting=lately.greeting,
    )
    keeper.do(mend)
    taking.open()
    return taking
