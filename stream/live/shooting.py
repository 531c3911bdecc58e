"""From a press to a shot that is safe on disk and queued; from an empty screen to a plate."""

from __future__ import annotations

import logging
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from models.errors import PosewallError
from models.keyer import KeySettings
from stream.batch import enqueue
from stream.capture.frame import Frame
from stream.errors import UserError
from stream.event import Event
from stream.live.plates import PlateKeeper
from stream.live.ring import Ring
from stream.shot import Shot, add_still, attach_original, save_plate, save_shot, settle
from stream.template import Template

log = logging.getLogger("posewall.live")

# chosen: two frames at 15 fps, so that the frame after the press can still come.
WAIT_FOR_FRAME_S = 0.14
# A frame further than this from the press shows another moment.
FURTHEST_S = 1.0
# chosen: a large raw file over a slow wireless link; after that the video frame is used.
STILL_WAIT_S = 30.0


@dataclass(frozen=True)
class Shooting:
    """What every shot of this run has in common; its methods run on the keeper's thread."""

    event: Event
    template: Template
    settings: KeySettings
    ring: Ring
    plates: PlateKeeper
    on_trouble: Callable[[str], None]

    def frame_at(self, moment_s: float) -> Frame:
        """The frame nearest to a moment.

        Raises:
            UserError: the source delivered none near it.
        """
        frame = self.ring.nearest(moment_s, WAIT_FOR_FRAME_S)
        if frame is None:
            raise UserError("No picture has come from the camera yet; nothing was kept.")
        off_s = abs(frame.arrived_s - moment_s)
        if off_s > FURTHEST_S:
            raise UserError(
                f"The camera delivered no picture at the moment of the press (the nearest is "
                f"{off_s:.0f} s away); nothing was kept. Grab again when the picture moves."
            )
        return frame

    def take(self, moment_s: float, people: tuple[str, ...], await_still: bool = False) -> Shot:
        """Keep the frame of a press for good, and queue its picture unless a still is to come.

        Raises:
            UserError: there is no such frame, or the disk did not take it.
        """
        frame = self.frame_at(moment_s)
        until = datetime.now(UTC) + timedelta(seconds=STILL_WAIT_S) if await_still else None
        shot = save_shot(
            self.event,
            frame,
            people=people,
            template=self.template,
            plate=self.plates.plate_id,
            settings=self.settings,
            still_until=until,
        )
        if until is None:
            self.queue(shot.id)
        return shot

    def queue(self, shot_id: str) -> None:
        """Queue a kept shot's picture; a failure is told, not raised: the shot is safe already."""
        try:
            enqueue(self.event, shot_id)
        except PosewallError as error:
            self.on_trouble(f"Shot {shot_id} is kept, but not queued: {error}")

    def attach(self, shot_id: str, still: Path) -> Shot:
        """Give a kept shot its still and queue its picture."""
        shot = attach_original(self.event, shot_id, still)
        self.queue(shot.id)
        return shot

    def still_alone(self, still: Path, people: tuple[str, ...]) -> Shot:
        """A shot of a still whose press found no video frame to keep."""
        shot, _ = add_still(
            self.event, still, people=people, template=self.template, settings=self.settings
        )
        self.queue(shot.id)
        return shot

    def without_still(self, shot_id: str) -> Shot:
        """Use the video frame of a shot whose still did not come."""
        shot = settle(self.event, shot_id)
        self.queue(shot.id)
        return shot

    def take_plate(self, moment_s: float) -> dict[str, Any]:
        """Keep the frame of a moment as the clean plate and take it into use."""
        frame = self.frame_at(moment_s)
        plate_id = save_plate(self.event, frame)
        self.plates.use(frame, plate_id)
        return {
            "plate": plate_id,
            "sentence": f"Clean plate of {frame.taken.astimezone():%H:%M:%S} kept",
        }
