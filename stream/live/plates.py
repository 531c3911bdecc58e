"""The clean plate in use: whose it is, whether it still fits, and what to say when it does not."""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable
from dataclasses import replace
from typing import Any, Protocol

from models.color import Encoding, Planes
from stream.capture.frame import Frame

log = logging.getLogger("posewall.live")

# chosen: longer than somebody walking through close to the lens, shorter than a pose.
DOUBT_S = 2.0
NONE, FITS, GONE = "none", "fits", "gone"


class TakesPlate(Protocol):
    """The part of the keyer that plates concern."""

    def set_plate(
        self, planes: Planes | None, encoding: Encoding | None = None, quarter_turns: int = 0
    ) -> None:
        """Use a clean plate, or none."""


def belonging(frame: Frame) -> tuple[object, ...]:
    """What a plate is bound to: source, size, orientation and colour tags."""
    shape = tuple(tuple(p.shape) for p in frame.planes)
    return frame.source, shape, frame.quarter_turns % 4, frame.encoding


def as_turned(plate: Frame, turn: int | None) -> Frame:
    """A plate from a file, upright where the camera stands on its side.

    A file is upright as it is, or as its Exif says. Only one that lies on its side without saying
    so, as a camera on its side delivers it, gets the turn that the source was given.

    Args:
        plate: as read.
        turn: degrees clockwise, as asked for the source; None without it.
    """
    high, wide = plate.upright_size
    lying = plate.quarter_turns % 4 == 0 and wide > high
    if turn in (90, 270) and lying:
        return replace(plate, quarter_turns=turn // 90)
    return plate


class PlateKeeper:
    """Decides which plate the keyer has; the keyer itself is touched by the loop's thread only.

    Args:
        announce: told a sentence when the plate in use changes or stops fitting.
    """

    def __init__(
        self, announce: Callable[[str], None], clock: Callable[[], float] = time.monotonic
    ) -> None:
        self._announce = announce
        self._clock = clock
        self._lock = threading.Lock()
        self._pending: tuple[Frame | None, str | None] | None = None
        self._owner: tuple[object, ...] | None = None
        self._id: str | None = None
        self._doubt_since: float | None = None
        self._state = NONE
        self._sentence = "none: keyed from the picture alone"

    @property
    def plate_id(self) -> str | None:
        """The plate that pictures are keyed with now, None without one."""
        with self._lock:
            return self._id

    def state(self) -> dict[str, Any]:
        """For the pages: ``state`` none, fits or gone, and a sentence."""
        with self._lock:
            return {"state": self._state, "sentence": self._sentence}

    def use(self, frame: Frame, plate_id: str) -> None:
        """Take this plate into use before the next frame is keyed."""
        with self._lock:
            self._pending = (frame, plate_id)

    def drop(self) -> None:
        """Do without a plate from the next frame on."""
        with self._lock:
            self._pending = (None, None)

    def before(self, keyer: TakesPlate, frame: Frame) -> None:
        """Bring the keyer up to date; called by the loop before each frame.

        Raises:
            PosewallError: the keyer refuses the plate; it is dropped and that is said.
        """
        with self._lock:
            pending, self._pending = self._pending, None
        if pending is not None:
            self._change(keyer, frame, *pending)
        elif self._owner is not None and self._owner != belonging(frame):
            self._lose(
                keyer,
                "was taken with another source, size or turn; take a new one",
            )

    def _change(
        self, keyer: TakesPlate, frame: Frame, plate: Frame | None, plate_id: str | None
    ) -> None:
        if plate is None or plate_id is None:
            keyer.set_plate(None)
            self._set(NONE, "none: keyed from the picture alone", None, None)
            return
        if plate.upright_size != frame.upright_size:
            have, need = plate.upright_size, frame.upright_size
            self._lose(
                keyer,
                f"is {have[1]} x {have[0]} and the picture {need[1]} x {need[0]} (width x height); "
                "take a new one",
            )
            return
        keyer.set_plate(None)
        self._set(NONE, "not taken", None, None)
        keyer.set_plate(plate.planes, plate.encoding, plate.quarter_turns)
        # A plate read from a file bears the file's name; from here on it is this source's.
        self._set(
            FITS, f"in use since {plate.taken.astimezone():%H:%M}", plate_id, belonging(frame)
        )
        log.info("clean plate %s in use", plate_id)

    def after(self, fits: bool | None) -> bool:
        """Note what the keyer said of the plate.

        Returns:
            True when the plate has stopped fitting for long enough and is to be given up.
        """
        if self._owner is None or fits is not False:
            self._doubt_since = None
            return False
        now = self._clock()
        if self._doubt_since is None:
            self._doubt_since = now
        return now - self._doubt_since >= DOUBT_S

    def give_up(self, keyer: TakesPlate) -> None:
        """Key from the frame alone: the scene is no longer the one of the plate."""
        self._lose(
            keyer,
            "no longer fits (camera, zoom, screen or light changed); take a new one",
        )

    def _lose(self, keyer: TakesPlate, why: str) -> None:
        keyer.set_plate(None)
        self._set(GONE, why, None, None)
        sentence = f"Clean plate {why}. Pictures are keyed without it meanwhile."
        log.warning("%s", sentence)
        self._announce(sentence)

    def _set(
        self, state: str, sentence: str, plate_id: str | None, owner: tuple[object, ...] | None
    ) -> None:
        with self._lock:
            self._state, self._sentence, self._id = state, sentence, plate_id
            self._owner, self._doubt_since = owner, None
