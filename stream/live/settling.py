"""What the first picture need not wait for: begun once that is there."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from functools import partial

from models.errors import PosewallError
from stream.event import Event
from stream.live.compiler import Compiler
from stream.live.compiling import Compiling, Progress
from stream.live.posing import Posing
from stream.memory import trim

# chosen: what can wait for the first picture waits for it, but not for a camera that is not there.
FIRST_PICTURE_S = 10.0
# chosen: by then the frames in work when the kernels were taken over are through.
TRIM_AFTER_S = 5.0


class Settling:
    """Begins the queue's store, the other templates and the kernels beside the picture."""

    def __init__(
        self,
        event: Event,
        posing: Posing,
        load: Callable[[Compiler, Progress], bool],
        shown: Callable[[], bool],
        stop: threading.Event,
        say: Callable[[str], None],
        clock: Callable[[], float] = time.monotonic,
        before_use: Callable[[], object] = lambda: None,
    ) -> None:
        """Prepare; the time from now on is what the first picture has.

        Args:
            event: whose queue is made.
            posing: reads the templates.
            load: makes the kernels ready; what can be compiled apart is by the compiler it gets.
            shown: whether the first picture is there.
            stop: set when the program ends.
            say: takes a sentence for the user.
            clock: monotonic, seconds.
            before_use: as of `Compiling`.
        """
        self._event, self._compiler = event, Compiler()
        self._compiling = Compiling(
            partial(load, self._compiler), say, clock, before_use=before_use
        )
        self._shown, self._say, self._clock = shown, say, clock
        self._until_s = clock() + FIRST_PICTURE_S
        self._over_s: float | None = None
        self._trimmed = False
        # Neither is the keeper's: a press must not wait for them.
        self._threads = [
            threading.Thread(target=self._open_queue, name="queue", daemon=True),
            threading.Thread(
                target=posing.read_templates, args=(stop,), name="templates", daemon=True
            ),
        ]
        self.begun = False

    @property
    def kernels_ready(self) -> bool:
        """Whether they can be used."""
        return self._compiling.ready

    def state(self) -> str | None:
        """How far the kernels are, as `Compiling.state`."""
        return self._compiling.state()

    def compile_no_more(self) -> None:
        """Stop compiling; returns at once."""
        self._compiler.end()

    def end(self, timeout_s: float) -> None:
        """Stop compiling and wait for all threads, up to so many seconds in all."""
        self._compiler.end()
        end_s = time.monotonic() + timeout_s
        self._compiling.join(timeout_s)
        for thread in self._threads:
            if thread.is_alive():
                thread.join(max(0.0, end_s - time.monotonic()))

    def tend(self) -> None:
        """Begin when it is time; to be called now and then, by one thread."""
        if not self.begun and (self._shown() or self._clock() >= self._until_s):
            self.begun = True
            for thread in self._threads:
                thread.start()
            self._compiling.start()
        self._trim()

    def _trim(self) -> None:
        """Hand back once what torch held for the picture as it was before the kernels."""
        if self._trimmed or not self._compiling.ready:
            return
        if self._over_s is None:
            self._over_s = self._clock()
        if self._clock() - self._over_s >= TRIM_AFTER_S:
            self._trimmed = True
            trim()

    def _open_queue(self) -> None:
        """Load the queue's libraries and make its store, so that no press has to."""
        from stream.batch import JobQueue

        try:
            JobQueue(self._event).close()
        except PosewallError as error:
            self._say(str(error))
