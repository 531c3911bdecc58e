"""How often the films of a take are tried where an encoder fails, and by which one."""

from __future__ import annotations

import logging
import time
from collections.abc import Callable

from stream.film.encoder import SOFTWARE, EncoderError
from stream.film.mux import PiecesDifferError
from stream.film.probe import waited
from stream.film.progress import Watch
from stream.film.work import Work

log = logging.getLogger("posewall.film")

RESTS_S = (2.0, 10.0)
"""chosen: a card's encoder that fails amid a film may be in use elsewhere for a moment. It has as
many goes more for each piece; what is finished by then stays."""
BUSY = "waiting for the encoder"
"""A stage, for people."""


class Goes:
    """Counts what failed, and says how it goes on.

    Attributes:
        encoder: as in `stream.film.probe.choose`.
    """

    def __init__(
        self, work: Work, wanted: str, source: str, sleep: Callable[[float], object] = time.sleep
    ) -> None:
        """Begin.

        Args:
            work: the folder of the films.
            wanted: the encoder that is asked for; only with "auto" anything is tried again.
            source: what they are made of, for the log: "take t0001-…".
            sleep: waits so many seconds.
        """
        self.encoder = wanted
        self._work, self._auto, self._source, self._sleep = work, wanted == "auto", source, sleep
        self._failed, self._stood, self._differed = 0, -1, False

    def failed(self, error: EncoderError | PiecesDifferError, watch: Watch) -> None:
        """One more go is over; returns when the next one may begin.

        Args:
            error: what ended it.
            watch: tells that an encoder is waited for.

        Raises:
            EncoderError, PiecesDifferError: that, where no go is left.
            Stopped: as in `Watch.pulse`.
        """
        log.warning("%s: %s", self._source, error)
        if isinstance(error, PiecesDifferError):
            if self._differed:
                raise error
            self._differed = True
            log.warning("%s: its films are made anew", self._source)
            self._work.remove()
            return
        if not self._auto:
            raise error
        pieces = self._work.pieces
        self._failed = 1 if pieces > self._stood else self._failed + 1
        self._stood = pieces
        if self._failed <= len(RESTS_S):
            watch.stage = BUSY
            waited(RESTS_S[self._failed - 1], watch.pulse, self._sleep)
        elif self.encoder == SOFTWARE:
            raise error
        else:
            # What software has made stays; pieces of another encoder do not go with it.
            log.warning("%s: its films are made with %s from here on", self._source, SOFTWARE)
            self.encoder, self._failed, self._stood = SOFTWARE, 0, -1
