"""From a kept shot to the pixels of its picture: the same keyer as live, at final grade."""

from __future__ import annotations

import json
from dataclasses import dataclass
from datetime import datetime

from torch import Tensor

from models.keyer import Grade, Keyer, KeySettings
from stream.batch.picture import enlargement_note
from stream.event import Event
from stream.painted import read_mask
from stream.people import texts
from stream.shot import Shot, ShotError, load_frame, load_plate

PLATE_UNFIT = "the clean plate was not used: it is of another source or size than this frame"
NO_SCREEN = (
    "no green or blue screen was to be seen, so the whole frame was laid over the design; look at "
    "the picture before you print it"
)
NOBODY = "nobody is to be seen in this picture; look at it before you print it"
LEAST_COVERAGE = 0.005
"""chosen: a subject smaller than this share of a picture is a speck, or nobody."""
MASK_UNFIT = "the mask was not used: it is of another size than this frame"
OTHER_SCREEN = "the clean plate does not show this screen, so the picture was cut without it"


@dataclass(frozen=True)
class Picture:
    """A finished picture.

    Attributes:
        pixels: (H, W, 3) uint8 on the CPU, sRGB.
        ppi: pixels an inch in print.
        taken: when the frame was taken.
        notes: warnings, for people.
    """

    pixels: Tensor
    ppi: float
    taken: datetime
    notes: tuple[str, ...]


def text_fields(event: Event, shot: Shot) -> dict[str, str]:
    """The texts for a template: one person's, or several people's joined by commas.

    Raises:
        ShotError: a number of the shot is no longer on the roster.
    """
    people = []
    for number in shot.people:
        person = event.roster.get(number)
        if person is None:
            raise ShotError(
                f"number {number} of this shot is no longer on the roster; put the line back into "
                "it and render the shot again."
            )
        people.append(person)
    return texts(people)


class Renderer:
    """Renders the shots of one event. One thread at a time."""

    def __init__(self, event: Event, device: str = "cpu") -> None:
        self.event = event
        self.device = device
        self._keyer: tuple[str, Keyer] | None = None

    def _keyer_for(self, shot: Shot) -> Keyer:
        key = json.dumps(dict(shot.settings), sort_keys=True)
        if self._keyer is None or self._keyer[0] != key:
            settings = KeySettings.from_json(dict(shot.settings))
            self._keyer = key, Keyer(Grade.FINAL, settings, self.device)
        return self._keyer[1]

    def render(self, shot: Shot) -> Picture:
        """Make the picture of a shot, at its template's print size.

        Raises:
            PosewallError: a file of the shot, its template or its plate cannot be used.
        """
        notes = list(shot.notes)
        fields = text_fields(self.event, shot)
        template = self.event.template_version(shot.template, shot.template_version)
        frame = load_frame(self.event, shot)
        size = template.picture_size()
        placement = template.placement(frame.upright_size, size, mirror=shot.mirror)
        notes += template.scene_warnings(fields)
        enlarged = enlargement_note(template.ppi, placement.scale)
        if enlarged:
            notes.append(enlarged)
        keyer = self._keyer_for(shot)
        # No state of another shot may reach this one: the plate is set, or dropped, every time.
        keyer.set_plate(None)
        if shot.plate is not None:
            plate = load_plate(self.event, shot.plate)
            if plate.fits(frame, still=shot.original is not None):
                keyer.set_plate(plate.frame.planes, plate.frame.encoding, plate.frame.quarter_turns)
            else:
                notes.append(PLATE_UNFIT)
        keyer.set_mask(None)
        if shot.mask is not None:
            painted = read_mask(self.event.paths.shots / shot.id / shot.mask)
            painted = painted.turned(frame.quarter_turns - shot.mask_turns)
            if painted.size == frame.upright_size:
                keyer.set_mask(painted)
            else:
                notes.append(MASK_UNFIT)
        done = keyer.composite(
            frame.planes,
            frame.encoding,
            frame.quarter_turns,
            template.scene(size, fields, self.device),
            placement,
        )
        if not done.screen_found:
            notes.append(NO_SCREEN)
        if done.coverage < LEAST_COVERAGE:
            notes.append(NOBODY)
        if done.plate_fits is False:
            notes.append(OTHER_SCREEN)
        return Picture(done.picture.cpu(), template.ppi, frame.taken, tuple(dict.fromkeys(notes)))
