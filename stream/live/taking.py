"""Takes: a count, a recording that ends by itself, and what becomes of it."""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable, Mapping
from concurrent.futures import Future
from typing import Any, Protocol

from stream.config import LEAST_TAKE_S, LONGEST_S, MOST_TAKE_S
from stream.errors import UserError
from stream.live.keeping import Keeper, settle
from stream.take import RecorderState, Take

log = logging.getLogger("posewall.live")

# chosen: long enough to look up and breathe in.
COUNT_S = 3.0
FAILED = (
    "The take was not kept as it should be: the program made a mistake; the event's log says what "
    "went wrong."
)
WAITING = "the camera's next whole picture is waited for; what is said meanwhile may be missing"
COUNTED_OUT = "The count was ended before the recording began; nothing was recorded."

Answer = dict[str, Any]
IDLE: Mapping[str, Any] = {
    "state": "none",
    "id": None,
    "count_s": None,
    "elapsed_s": None,
    "left_s": None,
    "most_s": None,
    "longest_s": LONGEST_S,
    "before_s": None,
    "sound": None,
    "level": None,
    "trouble": None,
}
"""The state while nothing is recorded."""


class Records(Protocol):
    """What records takes; `LiveRecorder` does it."""

    def listen(self) -> None:
        """A take is coming: let the microphone be ready for it."""

    def start(self, before_s: float, most_s: float) -> Take:
        """Begin one with so many seconds of before, of so many seconds at most."""

    def stop(self) -> Take:
        """End it, and wait until it is kept; the last one where it has ended by itself."""

    def state(self) -> RecorderState:
        """How it stands."""


class Taking:
    """Records one take at a time. Threads may share it.

    Args:
        records: does it; is to tell `ended` each take that has ended, for whatever reason.
        kept: told each take as kept.
        tell: takes a sentence for the terminal.
        on_trouble: takes a sentence of what failed.
        on_change: told when something else is to be shown.
        sound: where the sound is from, for people; empty without.
        clock: monotonic, seconds.
        longest_s: after how many seconds a take ends by itself where nobody says otherwise.
        greeting: what is to be said of the greeting of a kept take; empty where none is made.
    """

    def __init__(
        self,
        records: Records,
        kept: Callable[[Take], None],
        tell: Callable[[str], None],
        on_trouble: Callable[[str], None],
        on_change: Callable[[], None],
        sound: Callable[[], str] = str,
        clock: Callable[[], float] = time.monotonic,
        longest_s: Callable[[], float] = lambda: LONGEST_S,
        greeting: Callable[[Take], str] = lambda _: "",
    ) -> None:
        self._longest_s, self._greeting = longest_s, greeting
        self._records, self._kept = records, kept
        self._tell, self._on_trouble, self._on_change = tell, on_trouble, on_change
        self._sound, self._clock = sound, clock
        # Not the one of the shots: the end of a take must hold up no press. Nor a quiet one: what
        # it begins has its priority, and sound that is not fetched in time is lost.
        self._hand = Keeper(on_trouble, failed=FAILED, quiet=False)
        self._lock = threading.Lock()
        self._begins_s: float | None = None
        self._wanted: tuple[float, float] = longest_s(), 0.0
        self._begun: Future[Answer] | None = None
        self._timer: threading.Timer | None = None
        self._running: str | None = None
        self._ending: Future[Answer] | None = None
        self._troubled = ""
        self._over: set[str] = set()
        self._answered: set[str] = set()

    @property
    def kept(self) -> int:
        """How many takes this run has kept."""
        with self._lock:
            return len(self._over)

    def open(self) -> None:
        """Begin to answer."""
        self._hand.start()

    def state(self) -> Answer:
        """For the pages."""
        with self._lock:
            begins_s, (most_s, _) = self._begins_s, self._wanted
            running, busy = self._running, self._begun is not None or self._ending is not None
            ending = self._ending is not None
        now = self._records.state()
        told = dict(IDLE) | {"sound": self._sound(), "level": now.level}
        told["longest_s"] = self._longest_s()
        if begins_s is not None:
            count_s = max(0.0, begins_s - self._clock())
            return told | {"state": "counting", "count_s": count_s, "most_s": most_s}
        if running is None or not now.recording:
            # Between the end of the count and the first of the recording, and after its last.
            return told | {"state": "keeping" if busy else "none"}
        return told | {
            "state": "keeping" if ending else "recording",
            "id": now.take_id,
            "elapsed_s": min(now.elapsed_s, now.most_s),
            "left_s": max(0.0, now.most_s - now.elapsed_s),
            "most_s": now.most_s,
            "before_s": now.before_s,
            "sound": now.sound or self._sound(),
            "trouble": now.trouble or (WAITING if now.waiting else None),
        }

    def words(self) -> str:
        """The state for the terminal's line; empty while nothing is recorded."""
        now = self.state()
        if now["state"] == "counting":
            return f"recording in {now['count_s']:.0f} s"
        if now["state"] == "recording":
            return f"RECORDING {now['elapsed_s']:.0f} of {now['most_s']:.0f} s"
        return "keeping the take" if now["state"] == "keeping" else ""

    def start(
        self, count_s: float = COUNT_S, most_s: float | None = None, before_s: float = 0.0
    ) -> Future[Answer]:
        """Count, then record.

        Args:
            count_s: how long to count; the stage shows it.
            most_s: it ends by itself after so much; None for the usual length.
            before_s: how much of the time before belongs to it.

        Returns:
            Has its answer once the recording has begun.

        Raises:
            UserError: one is being recorded or kept already, or such a length cannot be.
        """
        most_s = self._longest_s() if most_s is None else most_s
        if not LEAST_TAKE_S <= most_s <= MOST_TAKE_S:
            raise UserError(
                f"A take of {most_s:g} s at most cannot be recorded; give {LEAST_TAKE_S:g} to "
                f"{MOST_TAKE_S:g} s."
            )
        begun: Future[Answer] = Future()
        self._records.listen()
        with self._lock:
            if self._ending is not None:
                raise UserError("The last take is still being kept; start again in a moment.")
            if self._begun is not None:
                raise UserError("A take is running already; stop it first.")
            self._begun, self._wanted = begun, (most_s, before_s)
            if count_s > 0:
                self._begins_s = self._clock() + count_s
                self._timer = threading.Timer(count_s, self._begin, (begun,))
                self._timer.daemon = True
                self._timer.start()
        if count_s <= 0:
            self._begin(begun)
        return begun

    def _begin(self, begun: Future[Answer]) -> None:
        """The count is over."""
        with self._lock:
            if self._begun is not begun:
                return  # ended in the last moment
            self._begins_s = self._timer = None
        self._hand.do(lambda: self._recorded(begun)).add_done_callback(lambda f: _told(f, begun))
        self._on_change()

    def _recorded(self, begun: Future[Answer]) -> Answer:
        most_s, before_s = self._wanted
        try:
            take = self._records.start(before_s, most_s)
        except BaseException:
            with self._lock:
                self._begun = None
            self._on_change()
            raise
        with self._lock:
            self._troubled = ""
            if take.id not in self._over:
                self._running = take.id
            elif self._ending is None:  # it ended at once
                self._begun = None
        self._on_change()
        sound = self._sound()
        heard = f"sound: {sound}" if sound else "without sound"
        sentence = f"Recording {take.id}, {heard}; it ends by itself after {most_s:g} s in all"
        return {"take": take.id, "sentence": sentence}

    def stop(self) -> Future[Answer]:
        """End the recording, or the count before it.

        Returns:
            Has its answer once the take is safe; of several stops all have the same one.

        Raises:
            UserError: nothing is being recorded.
        """
        answer: Future[Answer] = Future()
        with self._lock:
            if self._ending is not None:
                return self._ending
            if self._begun is None:
                raise UserError("No take is running; there is nothing to stop.")
            counted = self._begun if self._begins_s is not None else None
            if counted is None:
                self._ending = answer
            else:
                self._begun = self._begins_s = None
                if self._timer is not None:
                    self._timer.cancel()
                    self._timer = None
        if counted is None:
            # After the beginning, in case that is still at work.
            self._hand.do(self._stopped).add_done_callback(lambda f: _told(f, answer))
        else:
            settle(counted, None, UserError(COUNTED_OUT))
            answer.set_result({"take": None, "sentence": COUNTED_OUT})
        self._on_change()
        return answer

    def _stopped(self) -> Answer:
        with self._lock:
            begun = self._begun is not None
        try:
            if not begun:
                raise UserError("Nothing was recorded: the take could not be begun.")
            take = self._records.stop()
            with self._lock:
                self._answered.add(take.id)
        finally:
            with self._lock:
                self._running = self._begun = self._ending = None
            self._on_change()
        return {"take": take.id, "sentence": self._words(take)}

    def _words(self, take: Take) -> str:
        return "; ".join(filter(None, (kept_words(take), self._greeting(take))))

    def ended(self, take: Take) -> None:
        """A take has ended, for whatever reason; it is safe on disk."""
        with self._lock:
            self._over.add(take.id)
            # This may come only after the answer to a stop, and after the next one has begun.
            own = self._running == take.id
            asked = take.id in self._answered or (own and self._ending is not None)
            if own:
                self._running = None
            if own and self._ending is None:
                self._begun = None
        self._kept(take)
        self._on_change()
        if not asked:  # whoever pressed is answered; here nobody did
            self._tell(self._words(take))

    def press(self) -> Future[Answer]:
        """Start in the usual way; where one is running, stop it."""
        with self._lock:
            running = self._begun is not None
        return self.stop() if running else self.start()

    def tend(self) -> None:
        """Tell what is wrong with the one that is being recorded; to be called now and then."""
        now = self._records.state()
        if now.recording and now.trouble and now.trouble != self._troubled:
            self._on_trouble(sentence(now.trouble))
        self._troubled = now.trouble

    def close(self, timeout_s: float = 30.0) -> bool:
        """End what is being recorded and keep it; True when that was done in time."""
        with self._lock:
            running = self._begun is not None and self._ending is None
        if running:
            try:
                self.stop()
            except UserError as error:  # ended just now
                log.info("%s", error)
        return self._hand.close(timeout_s)


def sentence(words: str) -> str:
    """The words as a sentence of their own."""
    return f"{words[:1].upper()}{words[1:].rstrip('.')}."


def kept_words(take: Take) -> str:
    """What is said of a take that is kept."""
    if not take.shown_s:
        return f"Kept take {take.id}, but there is no picture in it"
    return f"Kept take {take.id}, {take.shown_s:.1f} s"


def _told(done: Future[Answer], answer: Future[Answer]) -> None:
    error = done.exception()
    settle(answer, None if error else done.result(), error)
