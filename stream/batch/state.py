"""How a shot's picture or a take's films stand in the queue."""

from __future__ import annotations

from enum import Enum

# chosen: high enough for a bad evening of crashes, low enough that one shot that kills the
# process each time does not do so for ever.
MOST_STARTS = 25


class State(Enum):
    """How a shot's picture or a take's films stand."""

    AWAITS_STILL = "awaits the camera's still"
    AWAITS_CHOICE = "its best frame is being chosen"
    RECORDING = "being recorded"
    UNASKED = "not asked for"
    WAITING = "waiting"
    IN_WORK = "in work"
    DONE = "done"
    FAILED = "failed"
