"""From a press to a shot that is safe on disk and queued; from an empty screen to a plate."""

from __future__ import annotations

import logging
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from PIL import Image

from models.errors import PosewallError
from models.keyer import Grade, Keyer, KeySettings
from stream.capture.frame import Frame
from stream.capture.stills import read_still
from stream.enlargement import enlargement_note
from stream.errors import UserError
from stream.event import Event
from stream.live.plates import PlateKeeper
from stream.live.ring import Ring
from stream.shot import Shot, add_still, attach_original, save_plate, save_shot, settle
from stream.shot.changes import STILL_MISSED
from stream.template import Nudge, Template

log = logging.getLogger("posewall.live")

# chosen: two frames at 15 fps, so that the frame after the press can still come.
WAIT_FOR_FRAME_S = 0.14
# A frame further than this from the press shows another moment.
FURTHEST_S = 1.0
# chosen: a large raw file over a slow wireless link; after that the video frame is used.
STILL_WAIT_S = 30.0
# chosen: below this share of a plate it is a stand's edge or noise.
LEAST_OCCUPIED = 0.01
# CIPA DC-008 (Exif): 5 to 8 are those on their side
_ORIENTATION = 0x0112


@dataclass(frozen=True)
class Shooting:
    """What every shot of this run has in common; its methods run on the keeper's thread.

    ``later`` has something done after the press that is at hand was answered.
    """

    event: Event
    template: Template
    settings: KeySettings
    ring: Ring
    plates: PlateKeeper
    on_trouble: Callable[[str], None]
    later: Callable[[Callable[[], None]], None] = lambda act: act()
    _still_plates: dict[tuple[int, int], str] = field(default_factory=dict, repr=False)

    def frame_at(self, moment_s: float, held: Frame | None = None) -> Frame:
        """The frame nearest to a moment.

        Args:
            moment_s: monotonic clock, seconds.
            held: the nearest one at the press, which may be forgotten by now.

        Raises:
            UserError: the source delivered none near it.
        """
        now = self.ring.nearest(moment_s, WAIT_FOR_FRAME_S)
        found = [f for f in (held, now) if f is not None]
        frame = min(found, key=lambda f: abs(f.arrived_s - moment_s), default=None)
        if frame is None:
            raise UserError("No picture has come from the camera yet; nothing was kept.")
        off_s = abs(frame.arrived_s - moment_s)
        if off_s > FURTHEST_S:
            raise UserError(
                f"The camera delivered no picture at the moment of the press (the nearest is "
                f"{off_s:.0f} s away); nothing was kept. Grab again when the picture moves."
            )
        return frame

    def take(
        self,
        frame: Frame,
        people: tuple[str, ...],
        await_still: bool = False,
        template: Template | None = None,
        nudge: Nudge | None = None,
        choose_s: float | None = None,
    ) -> Shot:
        """Keep the frame of a press for good, and queue its picture unless something is awaited.

        Args:
            frame: of the press.
            people: roster numbers.
            await_still: a camera's still is to take the frame's place.
            template: the design that they stood in; None for the usual one.
            nudge: how far they were moved in it; None for what the event says.
            choose_s: another frame may take its place within so many seconds; None for no other.

        Raises:
            UserError: the disk did not take it.
        """
        now = datetime.now(UTC)
        until = now + timedelta(seconds=STILL_WAIT_S) if await_still else None
        chosen = None if choose_s is None else now + timedelta(seconds=choose_s)
        shot = save_shot(
            self.event,
            frame,
            people=people,
            template=template or self.template,
            plate=self.plates.plate_id,
            settings=self.settings,
            still_until=until,
            choice_until=chosen,
            nudge=nudge,
        )
        if shot.waits_until is None:
            # The shot is safe: whoever pressed need not wait for the queue, nor, in the first
            # seconds, for its libraries. The worker finds shots that were never queued.
            self.later(lambda: self.queue(shot.id))
        return shot

    def queue(self, shot_id: str) -> None:
        """Queue a kept shot's picture; a failure is told, not raised: the shot is safe already."""
        from stream.batch import enqueue  # the queue's libraries: not before the first picture

        try:
            enqueue(self.event, shot_id)
        except PosewallError as error:
            self.on_trouble(f"Shot {shot_id} is kept, but not queued: {error}")

    def enlarged(self, moment_s: float, template: Template | None = None) -> str | None:
        """A sentence when the print enlarges the frame of a moment, else None."""
        frame = self.ring.nearest(moment_s, 0.0)
        if frame is None:
            return None
        template = template or self.template
        if template.wants_figure:
            return None  # its scale is known when the picture is made, which notes it then
        placement = template.placement(frame.upright_size, template.picture_size())
        return enlargement_note(template.ppi, placement.scale)

    def attach(self, shot_id: str, still: Path, note: str | None = None) -> Shot:
        """Give a kept shot its still and queue its picture."""
        plate = self._still_plates.get(_size(still)) if self._still_plates else None
        if note is not None:
            settle(self.event, shot_id, note)  # the one way to note something with a kept shot
        shot = attach_original(self.event, shot_id, still, plate=plate)
        self.queue(shot.id)
        return shot

    def still_alone(
        self,
        still: Path,
        people: tuple[str, ...],
        template: Template | None = None,
        nudge: Nudge | None = None,
    ) -> Shot:
        """A shot of a still whose press found no video frame to keep; arguments as of `take`."""
        shot, _ = add_still(
            self.event,
            still,
            people=people,
            template=template or self.template,
            nudge=nudge,
            plate=self._still_plates.get(_size(still)) if self._still_plates else None,
            settings=self.settings,
        )
        self.queue(shot.id)
        return shot

    def without_still(self, shot_id: str, note: str | None = None) -> Shot:
        """Use the video frame of a shot whose still did not come."""
        shot = settle(self.event, shot_id, note or STILL_MISSED)
        self.queue(shot.id)
        return shot

    def still_plate(self, still: Path) -> None:
        """Keep a still as the clean plate of the stills of its size after it."""
        frame = read_still(still)
        plate_id = save_plate(self.event, frame, still=still)
        self._still_plates.clear()
        self._still_plates[frame.upright_size] = plate_id
        self.on_trouble(f"Clean plate of the stills: {still.name}{self._standing_in(frame)}.")

    def drop_still_plate(self) -> None:
        """Cut the stills after this without a clean plate."""
        self._still_plates.clear()

    def take_plate(self, moment_s: float) -> dict[str, Any]:
        """Keep the frame of a moment as the clean plate and take it into use."""
        frame = self.frame_at(moment_s)
        plate_id = save_plate(self.event, frame)
        self.plates.use(frame, plate_id)
        words = f"Clean plate of {frame.taken.astimezone():%H:%M:%S} kept"
        return {"plate": plate_id, "sentence": words + self._standing_in(frame)}

    def _standing_in(self, frame: Frame) -> str:
        """What to say of a plate in which something stands before the screen; often nothing."""
        keyer, frame = Keyer(Grade.LIVE, self.settings), frame.on_host()
        share = keyer.occupied(frame.planes, frame.encoding, frame.quarter_turns)
        if share < LEAST_OCCUPIED:
            return ""
        return (
            f", but {share:.0%} of it is not screen. If somebody stands in it, let them step out "
            "and take it again"
        )


def _size(still: Path) -> tuple[int, int]:
    """(H, W) of a still as it stands upright, from its head alone; (0, 0) of none."""
    try:
        with Image.open(still) as image:
            wide, high = image.size
            turned = image.getexif().get(_ORIENTATION, 1) >= 5
    except (OSError, ValueError, TypeError, SyntaxError, Image.DecompressionBombError):
        return 0, 0
    return (wide, high) if turned else (high, wide)
