"""How far a film is, and whether it is to stop."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass


class Stopped(Exception):  # noqa: N818 - no error
    """A film was left as somebody wished; what counted stays, and it goes on from there."""


@dataclass(frozen=True)
class Progress:
    """How far the films of a take are.

    Attributes:
        done: frames that are made, of all films together, those of earlier runs included.
        total: of how many; 0 while the take is looked through.
        seconds_left: about so long still, by the pace of this run; None while none is known.
        stage: what is done now, for people.
    """

    done: int
    total: int
    seconds_left: float | None
    stage: str

    @property
    def share(self) -> float:
        """Of all frames, 0 to 1."""
        return self.done / self.total if self.total else 0.0


class Watch:
    """Tells how far a film is, and asks whether it may go on."""

    def __init__(
        self,
        seen: Callable[[Progress], None],
        between: Callable[[], None],
        stop: Callable[[], bool],
        clock: Callable[[], float],
    ) -> None:
        """Begin.

        Args:
            seen: told of every frame.
            between: called before every frame: what goes first may be done there.
            stop: asked before every frame.
            clock: monotonic, seconds.
        """
        self._seen, self._between, self._stop, self._clock = seen, between, stop, clock
        self.stage = "looking through the take"
        self._total = self._done = self._made = 0
        self._since = clock()

    def look(self) -> None:
        """Let others go first, and end where somebody wishes it.

        Raises:
            Stopped: so it is.
        """
        if self._stop():
            raise Stopped
        before = self._clock()
        self._between()
        self._since += self._clock() - before

    def begin(self, total: int) -> None:
        """So many frames are to be made in all."""
        self._total, self.stage = total, "keying"
        self._since = self._clock()

    def passed(self, frames: int) -> None:
        """So many more are made, from an earlier run."""
        self._done += frames

    def pulse(self) -> None:
        """`look` and `tell`, for work that is not counted in frames.

        Raises:
            Stopped: as in `look`.
        """
        self.look()
        self.tell()

    def ending(self, stage: str) -> None:
        """All frames are made; what is done now, and for how long nobody knows."""
        self.stage, self._made = stage, 0
        self.tell()

    def made(self, frames: int = 1) -> None:
        """So many more are made now."""
        self._done += frames
        self._made += frames
        self.tell()

    def tell(self) -> None:
        """Say how far it is."""
        left = None
        if self._made:
            pace = (self._clock() - self._since) / self._made
            left = pace * (self._total - self._done)
        self._seen(Progress(self._done, self._total, left, self.stage))
