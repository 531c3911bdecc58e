"""How a watched source stands, in words, and the times by which that is judged."""

from __future__ import annotations

import threading
from dataclasses import dataclass
from enum import Enum

from stream.capture.source import Source

# chosen: silence is to be noticed within 3 s; this leaves a second for everything else.
SILENT_AFTER_S = 2.0
# chosen: a sender that pauses for less goes on without being connected anew.
GIVE_UP_AFTER_S = 5.0
# chosen: cameras and RTSP servers take some seconds until their first frame.
OPEN_WITHIN_S = 12.0
FIRST_RETRY_S = 0.5
LONGEST_RETRY_S = 8.0
# chosen: a connection that held for so long was a good one; the next retry is quick again.
HELD_S = 5.0


class WatchState(Enum):
    """How a watched source stands."""

    CONNECTING = "connecting"
    LIVE = "live"
    SILENT = "silent"
    LOST = "lost"
    ENDED = "ended"
    CLOSED = "closed"


@dataclass(frozen=True)
class WatchStatus:
    """One state, in words.

    Attributes:
        state: how it stands.
        sentence: what to tell the user.
        retry_in_s: seconds until the next attempt, when it is lost.
    """

    state: WatchState
    sentence: str
    retry_in_s: float | None = None


class Attempt:
    """One connection: its reader thread, and what became of it."""

    def __init__(self, started_s: float) -> None:
        self.started_s = started_s
        self.first_frame_s: float | None = None
        self.last_frame_s: float | None = None
        self.source: Source | None = None
        self.over = False
        self.failure: str | None = None
        self.ended = False
        self.thread: threading.Thread | None = None
