"""Stills of a tethered camera, matched to presses: one press one still, each once.

A camera misses now and then, so counting alone would hand every later person the picture of
another. The rule, by the time at which a still arrives:

- Only presses before its arrival can own a still. Where one of them is younger than `WINDOW_S`,
  those that are older are taken as missed, and use their video frame at once.
- One press left: the still is its own.
- Several left: the still is held for up to `GATHER_S`. If as many stills come as presses wait,
  they are given in order, provided that the times between their captures (Exif; the camera's clock
  may be wrong, but it runs evenly) agree with the times between the presses.
- Otherwise presses of the same named people give their still to the newest. Of different people,
  or of nobody by name, nobody gets it: all use their video frames, the still stays where it is, and
  a standing notice and a note with each shot say so.
- A still that is given, but came late or after another's missed one, carries a note and a notice.
"""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any, Protocol

from PIL import Image

from models.errors import PosewallError
from stream.live.shooting import STILL_WAIT_S
from stream.shot import Shot
from stream.template import Nudge, Template

log = logging.getLogger("posewall.live")

# chosen: a still over a cable is here within 1 to 3 s, and two people need longer to change places.
WINDOW_S = 6.0
# chosen: two stills of quick presses follow each other within it.
GATHER_S = 4.0
# Exif holds whole seconds, and a camera releases some tenths after the press.
CAPTURE_SLACK_S = 2.0
_EXIF_IFD, _CAPTURED = 0x8769, 0x9003
UNSURE = "it was not clear whose still the camera delivered, so the video frame was used"
CHECK = "check that the still shows the right person: {why}"


class Stores(Protocol):
    """What is done with stills; `Shooting` does it."""

    def attach(self, shot_id: str, still: Path, note: str | None = None) -> Shot:
        """Give a kept shot its still."""

    def still_alone(
        self, still: Path, people: tuple[str, ...], template: Template | None, nudge: Nudge | None
    ) -> Shot:
        """Make a shot of a still alone."""

    def without_still(self, shot_id: str, note: str | None = None) -> Shot:
        """Use the video frame instead."""

    def still_plate(self, still: Path) -> None:
        """Keep a still as the clean plate of the stills after it."""


@dataclass(frozen=True)
class Awaiting:
    """A press whose still is to come.

    Attributes:
        pressed_s: monotonic clock of the press, seconds.
        people: roster numbers.
        shot_id: the shot kept with the video frame; None when there was no frame to keep.
        plate: the press was for the clean plate.
        template: the design that they stood in; None for the usual one.
        nudge: how far they were moved in it; None for what the event says.
    """

    pressed_s: float
    people: tuple[str, ...]
    shot_id: str | None
    plate: bool = False
    template: Template | None = None
    nudge: Nudge | None = None

    def same_people(self, other: Awaiting) -> bool:
        """Surely the same people; two without names may be anybody."""
        return bool(self.people) and self.people == other.people


def captured(still: Path) -> datetime | None:
    """When the camera says that it took a still; None where it does not."""
    try:
        with Image.open(still) as image:
            text = image.getexif().get_ifd(_EXIF_IFD).get(_CAPTURED)
        # Only differences between two of one camera are used, so its time zone does not matter.
        taken = datetime.strptime(str(text).strip("\0 "), "%Y:%m:%d %H:%M:%S")  # noqa: DTZ007
    except (OSError, ValueError, SyntaxError, Image.DecompressionBombError):
        return None
    return taken


class Tether:
    """Waits for the still of each press. `arrived` and `expire` run on the keeper's thread.

    Args:
        stores: does what was decided.
        on_trouble: takes a sentence that passes.
        on_doubt: takes a sentence that is to stand until the operator has looked.
        clock: monotonic, seconds.
        wait_s: after so long without a still a press is given up.
    """

    def __init__(
        self,
        stores: Stores,
        on_trouble: Callable[[str], None],
        clock: Callable[[], float] = time.monotonic,
        wait_s: float = STILL_WAIT_S,
        on_doubt: Callable[[str], None] | None = None,
    ) -> None:
        self._stores = stores
        self._on_trouble = on_trouble
        self._on_doubt = on_doubt or on_trouble
        self._clock = clock
        self._wait_s = wait_s
        self._lock = threading.Lock()
        self._awaiting: list[Awaiting] = []
        self._held: list[tuple[float, Path]] = []
        self._unpressed: list[Path] = []
        self._missed: tuple[float, Awaiting] | None = None

    def press(self, awaiting: Awaiting) -> None:
        """A still is to come for this press."""
        with self._lock:
            self._awaiting.append(awaiting)

    def state(self) -> dict[str, Any]:
        """How many presses wait for their still, and which stills came without a press."""
        with self._lock:
            return {"waiting": len(self._awaiting), "unpressed": len(self._unpressed)}

    @property
    def unpressed(self) -> tuple[Path, ...]:
        """Stills that are nobody's; they stay where the camera put them."""
        with self._lock:
            return tuple(self._unpressed)

    def arrived(self, still: Path, arrived_s: float | None = None) -> list[Shot]:
        """A complete still was delivered; to be told once for each file.

        Args:
            still: the file.
            arrived_s: when, monotonic clock, seconds; now without it.

        Returns:
            The shots that have their still by it: none while it is held or when it is nobody's.
        """
        at_s = self._clock() if arrived_s is None else arrived_s
        own = [p for p in self._waiting() if p.pressed_s <= at_s]
        if any(at_s - p.pressed_s <= WINDOW_S for p in own) and not self._held:
            for press in [p for p in own if at_s - p.pressed_s > WINDOW_S]:
                own.remove(press)
                self._miss(press, "The camera delivered no still for it before the next press's")
        if not own:
            log.info("still without a press: %s", still)
            self._set_aside([still])
            return []
        if len(own) == 1 and not self._held:
            return self._give(own[0], still, at_s)
        self._held.append((at_s, still))
        if len(self._held) < len(own):
            return []
        return self._share()

    def expire(self) -> list[Shot]:
        """Decide what has waited long enough. To be called now and then.

        Returns:
            Shots that have their still by it.
        """
        now = self._clock()
        if self._held:
            return self._share() if now - self._held[0][0] >= GATHER_S else []
        for press in self._waiting():
            if now - press.pressed_s > self._wait_s:
                self._miss(
                    press,
                    f"The camera delivered no still within {self._wait_s:.0f} s of the press",
                )
        return []

    def _waiting(self) -> list[Awaiting]:
        with self._lock:
            return sorted(self._awaiting, key=lambda p: p.pressed_s)

    def _take(self, press: Awaiting) -> None:
        with self._lock:
            self._awaiting.remove(press)

    def _set_aside(self, stills: list[Path]) -> None:
        with self._lock:
            self._unpressed.extend(stills)

    def _share(self) -> list[Shot]:
        """Give the held stills to those who wait, in order if that is certain, or to nobody."""
        held, self._held = self._held, []
        own = [p for p in self._waiting() if p.pressed_s <= held[-1][0]]
        if len(held) == len(own) and _agree(own, held):
            pairs = list(zip(own, held, strict=True))
            return [s for press, (at_s, still) in pairs for s in self._give(press, still, at_s)]
        if all(p.same_people(own[0]) for p in own) and len(held) <= len(own):
            for press in own[: -len(held)]:
                self._miss(press, "The camera delivered fewer stills than were pressed")
            pairs = list(zip(own[-len(held) :], held, strict=True))
            return [s for press, (at_s, still) in pairs for s in self._give(press, still, at_s)]
        for press in own:
            self._take(press)
            if press.shot_id is not None:
                self._stores.without_still(press.shot_id, UNSURE)
        self._set_aside([still for _, still in held])
        shots = ", ".join(p.shot_id for p in own if p.shot_id) or "the presses"
        names = ", ".join(still.name for _, still in held)
        self._on_doubt(
            f"{len(own)} presses and {len(held)} of the camera's stills ({names}): it is not clear "
            f"whose. {shots} use the video picture; look at the stills and add those that are "
            "wanted with: posewall batch add"
        )
        return []

    def _give(self, press: Awaiting, still: Path, at_s: float) -> list[Shot]:
        self._take(press)
        try:
            if press.plate:
                self._stores.still_plate(still)
                return []
            why = self._doubt(press, at_s)
            if press.shot_id is None:
                shot = self._stores.still_alone(still, press.people, press.template, press.nudge)
            else:
                note = CHECK.format(why=why) if why else None
                shot = self._stores.attach(press.shot_id, still, note)
        except PosewallError as error:
            # The file stays with the camera's others; the shot has its video frame meanwhile.
            self._on_trouble(f"Still {still.name}: {error}")
            if press.shot_id is not None:
                self._stores.without_still(press.shot_id)
            return []
        if why:
            self._on_doubt(f"Shot {shot.id}, still {still.name}: " + CHECK.format(why=why) + ".")
        return [shot]

    def _doubt(self, press: Awaiting, at_s: float) -> str | None:
        missed, self._missed = self._missed, None
        if (
            missed is not None
            and not missed[1].same_people(press)
            and at_s - missed[0] <= self._wait_s
        ):
            return f"the press before it ({missed[1].shot_id or 'without a frame'}) got none"
        late_s = at_s - press.pressed_s
        return f"it came {late_s:.0f} s after the press" if late_s > WINDOW_S else None

    def _miss(self, press: Awaiting, sentence: str) -> None:
        self._take(press)
        if press.plate:
            self._on_trouble(f"{sentence}; stills are cut without a clean plate of their own.")
            return
        self._missed = self._clock(), press
        what = "nothing was kept for it"
        if press.shot_id is not None:
            self._stores.without_still(press.shot_id)
            what = f"shot {press.shot_id} uses the video picture"
        self._on_trouble(f"{sentence}; {what}. Check the camera's cable or card.")


def _agree(own: list[Awaiting], held: list[tuple[float, Path]]) -> bool:
    """Whether stills in this order can be those of the presses in theirs."""
    if any(p.pressed_s > at_s for p, (at_s, _) in zip(own, held, strict=True)):
        return False
    times = [captured(still) for _, still in held]
    first = times[0]
    for press, taken in zip(own, times, strict=True):
        if first is None or taken is None:
            continue
        between_s = (taken - first).total_seconds()
        if abs(between_s - (press.pressed_s - own[0].pressed_s)) > CAPTURE_SLACK_S:
            return False
    return True
