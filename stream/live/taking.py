"""Takes: a count, a recording that ends by itself, and what becomes of it."""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable, Mapping
from concurrent.futures import Future
from typing import Any, Protocol

from stream.errors import UserError
from stream.live.keeping import Keeper, settle
from stream.take import Take

log = logging.getLogger("posewall.live")

# chosen: long enough to look up and breathe in.
COUNT_S = 3.0
# Common practice: greetings are short.
LONGEST_S = 60.0
MOST_S = 600.0
LEAST_S = 1.0
FAILED = (
    "The take was not kept as it should be: the program made a mistake; the event's log says what "
    "went wrong."
)
COUNTED_OUT = "The count was ended before the recording began; nothing was recorded."

Answer = dict[str, Any]
IDLE: Mapping[str, Any] = {
    "state": "none",
    "id": None,
    "count_s": None,
    "elapsed_s": None,
    "left_s": None,
    "most_s": None,
    "before_s": None,
    "sound": None,
    "trouble": None,
}
"""The state while nothing is recorded."""


class Recording(Protocol):
    """A take that is being recorded."""

    @property
    def take_id(self) -> str:
        """Its id."""

    @property
    def elapsed_s(self) -> float:
        """How much of it there is that will be shown, seconds."""

    @property
    def before_s(self) -> float:
        """How much of that was before it was begun, seconds."""

    @property
    def sound(self) -> str:
        """Where its sound is from, for people; empty without."""

    @property
    def trouble(self) -> str | None:
        """What is wrong with it, as a sentence; None while all is well."""

    def stop(self) -> Take:
        """End it; the take as kept.

        Raises:
            UserError: nothing could be kept of it.
        """


class Taking:
    """Records one take at a time. Threads may share it.

    Args:
        record: begins to record what will be shown, with so many seconds of before, for so many
            seconds at most.
        kept: told each take as kept; what it returns is said of it, besides.
        tell: takes a sentence for the terminal.
        on_trouble: takes a sentence of what failed.
        on_change: told when something else is to be shown.
        sound: where the sound is from, for people.
        clock: monotonic, seconds.
    """

    def __init__(
        self,
        record: Callable[[float, float], Recording],
        kept: Callable[[Take], str],
        tell: Callable[[str], None],
        on_trouble: Callable[[str], None],
        on_change: Callable[[], None],
        sound: str = "",
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self._record, self._kept, self._tell, self._on_change = record, kept, tell, on_change
        self._sound, self._clock = sound, clock
        self._on_trouble = on_trouble
        # Not the one of the shots: the end of a take must hold up no press. Nor a quiet one: what
        # it begins has its priority, and sound that is not fetched in time is lost.
        self._hand = Keeper(on_trouble, failed=FAILED, quiet=False)
        self._lock = threading.Lock()
        self._begins_s: float | None = None
        self._wanted: tuple[float, float] = LONGEST_S, 0.0
        self._begun: Future[Answer] | None = None
        self._timer: threading.Timer | None = None
        self._recording: Recording | None = None
        self._ending: Future[Answer] | None = None
        self._troubled: str | None = None

    def open(self) -> None:
        """Begin to answer."""
        self._hand.start()

    def state(self) -> Answer:
        """For the pages."""
        with self._lock:
            recording, begins_s = self._recording, self._begins_s
            most_s, _ = self._wanted
            ending, begun = self._ending, self._begun
        told = dict(IDLE) | {"sound": self._sound}
        if begins_s is not None:
            count_s = max(0.0, begins_s - self._clock())
            return told | {"state": "counting", "count_s": count_s, "most_s": most_s}
        if recording is None:
            # Between the end of the count and the first of the recording, and after its last.
            return told | {"state": "keeping" if ending or begun else "none"}
        elapsed_s = min(recording.elapsed_s, most_s)
        return told | {
            "state": "recording" if ending is None else "keeping",
            "id": recording.take_id,
            "elapsed_s": elapsed_s,
            "left_s": max(0.0, most_s - elapsed_s),
            "most_s": most_s,
            "before_s": recording.before_s,
            "sound": recording.sound,
            "trouble": recording.trouble,
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
        most_s = LONGEST_S if most_s is None else most_s
        if not LEAST_S <= most_s <= MOST_S:
            raise UserError(
                f"A take of {most_s:g} s at most cannot be recorded; give {LEAST_S:g} to "
                f"{MOST_S:g} s."
            )
        begun: Future[Answer] = Future()
        with self._lock:
            if self._ending is not None:
                raise UserError("The last take is still being kept; start again in a moment.")
            if self._begun is not None or self._recording is not None:
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
            recording = self._record(before_s, most_s)
        except BaseException:
            with self._lock:
                self._begun = None
            self._on_change()
            raise
        with self._lock:
            self._recording, self._troubled = recording, None
        self._on_change()
        heard = f"sound of {recording.sound}" if recording.sound else "without sound"
        sentence = f"Recording {recording.take_id}, {heard}; it ends by itself after {most_s:g} s"
        return {"take": recording.take_id, "sentence": sentence}

    def stop(self) -> Future[Answer]:
        """End the recording, or the count before it.

        Returns:
            Has its answer once the take is safe; of several stops all have the same one.

        Raises:
            UserError: nothing is being recorded.
        """
        with self._lock:
            if self._ending is not None:
                return self._ending
            if self._begun is None:
                raise UserError("No take is running; there is nothing to stop.")
            if self._begins_s is not None:
                counted, self._begun, self._begins_s = self._begun, None, None
                if self._timer is not None:
                    self._timer.cancel()
                    self._timer = None
            else:
                counted, self._ending = None, Future()
                ending = self._ending
        if counted is not None:
            settle(counted, None, UserError(COUNTED_OUT))
            answer: Future[Answer] = Future()
            answer.set_result({"take": None, "sentence": COUNTED_OUT})
            self._on_change()
            return answer
        # After the beginning, in case that is still at work.
        self._hand.do(self._ended).add_done_callback(lambda f: _told(f, ending))
        self._on_change()
        return ending

    def _ended(self) -> Answer:
        with self._lock:
            recording = self._recording
        try:
            if recording is None:
                raise UserError("Nothing was recorded: the take could not be begun.")
            take = recording.stop()
            more = self._kept(take)
        finally:
            with self._lock:
                self._recording = self._begun = self._ending = None
            self._on_change()
        end_s = take.length_s if take.end_s is None else take.end_s
        length = "" if end_s is None else f", {end_s - take.begin_s:.1f} s"
        sentence = "; ".join(filter(None, (f"Kept take {take.id}{length}", more)))
        return {"take": take.id, "sentence": sentence}

    def press(self) -> Future[Answer]:
        """Start in the usual way; where one is running, stop it."""
        with self._lock:
            running = self._begun is not None
        return self.stop() if running else self.start()

    def tend(self) -> None:
        """End what has reached its length; to be called now and then."""
        with self._lock:
            recording, ending = self._recording, self._ending
            most_s, _ = self._wanted
        if recording is None or ending is not None:
            return
        trouble = recording.trouble
        if trouble is not None and trouble != self._troubled:
            self._on_trouble(trouble)
        self._troubled = trouble
        if recording.elapsed_s >= most_s:
            # Whoever pressed is answered; at its full length nobody did.
            self.stop().add_done_callback(self._over)

    def _over(self, ended: Future[Answer]) -> None:
        if ended.exception() is None:
            self._tell(str(ended.result()["sentence"]))

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


def _told(done: Future[Answer], answer: Future[Answer]) -> None:
    error = done.exception()
    settle(answer, None if error else done.result(), error)
