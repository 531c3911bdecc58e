"""One quiet thread that does what must be safe on disk, in order, beside the loop."""

from __future__ import annotations

import contextlib
import logging
import os
import queue
import sys
import threading
from collections.abc import Callable
from concurrent.futures import Future, InvalidStateError
from typing import Any

from models.errors import PosewallError
from stream.errors import UserError

log = logging.getLogger("posewall.live")
REST_FAILED = "A press was kept, but not all of what follows was done; the event's log says why."
FAILED = (
    "The last press was not kept: the program made a mistake. Press again; the event's log says "
    "what went wrong."
)
Answer = dict[str, Any]


def settle(answer: Future[Answer], result: Answer | None, error: BaseException | None) -> None:
    """Give a future what came of it; one that nobody waits for any more is left alone."""
    with contextlib.suppress(InvalidStateError):
        if error is not None:
            answer.set_exception(error)
        else:
            answer.set_result(result or {})


def lower_priority() -> None:
    """Let this thread run only where the live picture leaves room (Linux: threads have a nice)."""
    if sys.platform == "linux":
        os.setpriority(os.PRIO_PROCESS, threading.get_native_id(), 10)


class Keeper:
    """Stores shots and plates one after the other, in the order of the presses.

    Args:
        on_trouble: told the sentence of what failed.
        failed: that sentence where the program made a mistake.
        quiet: run only where the live picture leaves room.
    """

    def __init__(
        self, on_trouble: Callable[[str], None], failed: str = FAILED, quiet: bool = True
    ) -> None:
        self._on_trouble, self._failed, self._quiet = on_trouble, failed, quiet
        self._work: queue.Queue[tuple[Future[Answer], Callable[[], Answer]] | None] = queue.Queue()
        self._rest: list[Callable[[], None]] = []
        self._closed = threading.Lock()
        self._ended = False
        self._thread = threading.Thread(target=self._run, name="keeper", daemon=True)

    def start(self) -> None:
        """Begin."""
        self._thread.start()

    def do(self, act: Callable[[], Answer]) -> Future[Answer]:
        """Have something done in its turn; returns at once.

        The future gets what ``act`` returns, or a `UserError` whatever went wrong.
        """
        answer: Future[Answer] = Future()
        with self._closed:
            if self._ended:
                answer.set_exception(UserError("The live program is ending; nothing was kept."))
            else:
                self._work.put((answer, act))
        return answer

    def after(self, act: Callable[[], None]) -> None:
        """Have something done once the job at hand is answered, before the next one.

        Only for that job itself, on the keeper's own thread; ``act`` tells its own failures.
        """
        self._rest.append(act)

    def close(self, timeout_s: float = 30.0) -> bool:
        """Finish what was asked for so far, then end; True when that was done in time."""
        with self._closed:
            self._ended = True
            self._work.put(None)
        if self._thread.is_alive():
            self._thread.join(timeout_s)
        return not self._thread.is_alive()

    def _run(self) -> None:
        if self._quiet:
            lower_priority()
        while (job := self._work.get()) is not None:
            answer, act = job
            # From here on nobody can cancel it. One cancelled before is done all the same: a
            # press is never dropped because somebody no longer waits for its answer.
            with contextlib.suppress(InvalidStateError):
                answer.set_running_or_notify_cancel()
            try:
                result = act()
            except PosewallError as error:
                log.warning("not kept: %s", error)
                self._on_trouble(str(error))
                settle(
                    answer, None, error if isinstance(error, UserError) else UserError(str(error))
                )
            except Exception as error:
                log.error("a press failed", exc_info=error)
                self._on_trouble(self._failed)
                settle(answer, None, UserError(self._failed))
            else:
                settle(answer, result, None)
            self._do_rest()

    def _do_rest(self) -> None:
        rest, self._rest = self._rest, []
        for act in rest:
            try:
                act()
            except Exception as error:
                log.error("what a press left to do failed", exc_info=error)
                self._on_trouble(str(error) if isinstance(error, PosewallError) else REST_FAILED)
