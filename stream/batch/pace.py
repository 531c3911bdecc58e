"""How long greetings took to make in an event, so that it can be said of the next ones.

A few numbers in a small file of the event's folder, without anybody's name or number. It is written
durably, since a laptop may be shut between two greetings; where it is lost or damaged, the next
greeting measures it again.
"""

from __future__ import annotations

import json
import logging
import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from statistics import median
from typing import Any

from stream.durable import replace_file
from stream.event import Event
from stream.take import Take

log = logging.getLogger("posewall.batch")
KEPT = 12
"""chosen: so many makings are kept, so that each of some designs is among them."""
COUNTED = 3
"""chosen: the median of so many: one that was slowed down by something else decides nothing."""


@dataclass(frozen=True)
class Pace:
    """How the films of one take were made.

    Attributes:
        frames: of all its films together.
        seconds: of work, without the time in which pictures went first.
        shown_s: seconds of the take that they show.
        template: of the take.
        shapes: how many films.
    """

    frames: int
    seconds: float
    shown_s: float
    template: str
    shapes: int

    @property
    def usable(self) -> bool:
        """Whether anything can be foretold by it."""
        numbers = self.seconds, self.shown_s
        return all(math.isfinite(n) and n > 0 for n in numbers) and self.frames > 0

    @classmethod
    def from_json(cls, data: Any) -> Pace:
        """The reverse of `dataclasses.asdict`.

        Raises:
            KeyError, TypeError, ValueError: it is something else.
        """
        return cls(
            int(data["frames"]),
            float(data["seconds"]),
            float(data["shown_s"]),
            str(data["template"]),
            int(data["shapes"]),
        )


def paces(event: Event) -> tuple[Pace, ...]:
    """How the last greetings of an event were made, the newest last; none where nobody knows."""
    try:
        kept = json.loads(event.paths.pace.read_text("utf-8"))
        found = [Pace.from_json(one) for one in kept]
    except (OSError, KeyError, TypeError, ValueError):
        return ()
    return tuple(pace for pace in found if pace.usable)


def note_pace(event: Event, pace: Pace) -> None:
    """Keep how one greeting was made; a disk that refuses it is no trouble."""
    if not pace.usable:
        return
    kept = [asdict(p) for p in (*paces(event), pace)[-KEPT:]]
    try:
        replace_file(event.paths.pace, (json.dumps(kept, indent=1) + "\n").encode())
    except OSError as e:
        log.warning("how long a greeting took could not be kept: %s", type(e).__name__)


def needed_s(take: Take, known: Sequence[Pace]) -> float | None:
    """About how long the films of a take are worked on, from their first frame to their last.

    The last ones by the same template in as many shapes count, else those in as many shapes, else
    all: keying takes most of the time, and it is the same in every design.

    Args:
        take: as it is kept.
        known: how others were made, the newest last.

    Returns:
        None where nobody knows. Seconds.
    """
    length_s, shapes = take.shown_s, max(len(take.films), 1)
    if length_s is None or not known:
        return None
    alike = [p for p in known if p.shapes == shapes]
    same = [p for p in alike if p.template == take.template]
    chosen = (same or alike or list(known))[-COUNTED:]
    return length_s * median(p.seconds / p.shown_s for p in chosen)
