"""From a kept shot to the pixels of its picture: the same keyer as live, at final grade."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from torch import Tensor

from models.composite import Scene
from models.cut import Composite
from models.errors import PosewallError
from models.keyer import Grade, Keyer, KeySettings, Placed
from models.mapping import rows_painted_over
from models.mask import Mask
from stream.capture.frame import Frame
from stream.enlargement import enlargement_note
from stream.event import Event
from stream.memory import trim
from stream.opening.openings import Paper
from stream.painted import read_mask, read_matte
from stream.people import texts
from stream.shot import Plate, Shot, ShotError, Wanted, load_frame, load_plate, load_shot, output_of
from stream.shot.ordering import other_shape
from stream.template import Nudge, Template
from stream.template.png import read_png
from stream.template.stripped import Step
from stream.template.template import Print

PLATE_UNFIT = "the clean plate was not used: it is of another source or size than this frame"
NO_SCREEN = (
    "no green or blue screen was to be seen, so the whole frame was laid over the design; look at "
    "the picture before you print it"
)
NOBODY = "nobody is to be seen in this picture; look at it before you print it"
LEAST_COVERAGE = 0.005
"""chosen: a subject smaller than this share of a picture is a speck, or nobody."""
MASK_UNFIT = "the mask was not used: it is of another size than this frame"
EMPTY_SLOT = (
    "the template shows {} shots and this one was given fewer, so a slot stayed empty; give the "
    "others with 'posewall batch change SHOT --beside SHOT'"
)
OTHER_SCREEN = "the clean plate does not show this screen, so the picture was cut without it"


@dataclass(frozen=True)
class Picture:
    """A finished picture.

    Attributes:
        pixels: (H, W, 3) on the CPU, sRGB: uint8, or uint16 where 16 bits were asked for.
        ppi: pixels an inch in print.
        taken: when the frame was taken.
        notes: warnings, for people.
        made: how large it is.
    """

    pixels: Tensor
    ppi: float
    taken: datetime
    notes: tuple[str, ...]
    made: Print


def text_fields(event: Event, *shown: Shot) -> dict[str, str]:
    """The texts for a template: one person's, or several people's joined by commas.

    Args:
        event: whose roster is asked.
        shown: the shots in the picture.

    Raises:
        ShotError: a number of a shot is no longer on the roster.
    """
    people = []
    for number in dict.fromkeys(n for shot in shown for n in shot.people):
        person = event.roster.get(number)
        if person is None:
            raise ShotError(
                f"number {number} of this shot is no longer on the roster; put the line back into "
                "it and render the shot again."
            )
        people.append(person)
    return texts(people)


@dataclass(frozen=True)
class _Ready:
    """A shot's frame, and a keyer that has its settings, plate and mask."""

    shot_id: str
    frame: Frame
    keyer: Keyer
    notes: tuple[str, ...]


@dataclass(frozen=True)
class Standing:
    """The subjects of a picture at their places, and what they stand in.

    Attributes:
        template: the design.
        made: how large the picture is.
        stands: of each slot the shot and its subject at its place; None where it stays empty.
        taken: when the main shot's frame was taken.
        notes: warnings, for people.
    """

    template: Template
    made: Print
    stands: tuple[tuple[Shot, Placed] | None, ...]
    taken: datetime
    notes: tuple[str, ...]

    @property
    def placed(self) -> list[Placed | None]:
        """The subject of each slot."""
        return [stand and stand[1] for stand in self.stands]


@dataclass(frozen=True)
class Staged(Standing):
    """A picture before it is laid together.

    Attributes:
        scene: the design with words, and retouches above their subjects.
    """

    scene: Scene


class Renderer:
    """Renders the shots of one event. One thread at a time."""

    def __init__(self, event: Event, device: str = "cpu") -> None:
        self.event = event
        self.device = device
        self._keyer: tuple[str, Keyer] | None = None
        self._ready: _Ready | None = None
        self._plate: Plate | None = None

    def _keyer_for(self, shot: Shot) -> Keyer:
        key = json.dumps(dict(shot.settings), sort_keys=True)
        if self._keyer is None or self._keyer[0] != key:
            settings = KeySettings.from_json(dict(shot.settings))
            self._keyer = key, Keyer(Grade.FINAL, settings, self.device)
        return self._keyer[1]

    def pictures(self, shot: Shot) -> Iterator[tuple[Wanted, Picture | PosewallError]]:
        """Make every picture that is wanted of a shot, each at its print size.

        Yields:
            The picture, or why it could not be made: the others are made all the same.

        Raises:
            PosewallError: a file of the shot, a template or its plate cannot be used.
        """
        beside = [load_shot(self.event, b) for b in shot.beside]
        fields = text_fields(self.event, shot, *beside)
        # No state of another shot may reach this one.
        self._ready = None
        trim()
        for wanted in shot.wanted:
            made: Picture | PosewallError
            try:
                made = self._picture(shot, beside, wanted, fields)
            except PosewallError as e:
                made = e
            yield wanted, made

    def render(self, shot: Shot) -> Picture:
        """Make the picture that people posed for; raises as `pictures`."""
        made = next(self.pictures(shot))[1]
        if isinstance(made, PosewallError):
            raise made
        return made

    def _plate_of(self, shot: Shot) -> Plate | None:
        """A shot's clean plate; the last one is kept, since one serves most of an event."""
        if shot.plate is None:
            return None
        if self._plate is None or self._plate.id != shot.plate:
            self._plate = load_plate(self.event, shot.plate)
        return self._plate

    def _made_ready(self, shot: Shot) -> _Ready:
        """The frame of a shot, and a keyer with its settings, plate and mask."""
        if self._ready is not None and self._ready.shot_id == shot.id:
            return self._ready
        notes = list(shot.notes)
        frame = load_frame(self.event, shot)
        keyer = self._keyer_for(shot)
        plate = self._plate_of(shot)
        if plate is not None and not plate.fits(frame, still=shot.original is not None):
            plate = None
            notes.append(PLATE_UNFIT)
        if plate is None:
            keyer.set_plate(None)
        else:
            keyer.set_plate(plate.frame.planes, plate.frame.encoding, plate.frame.quarter_turns)
        painted: Mask | None = None
        for strokes in self._strokes(shot, frame):
            if strokes.size == frame.upright_size:
                painted = strokes if painted is None else painted.then(strokes)
            else:
                notes.append(MASK_UNFIT)
        keyer.set_mask(painted)
        self._ready = _Ready(shot.id, frame, keyer, tuple(notes))
        return self._ready

    def _strokes(self, shot: Shot, frame: Frame) -> Iterator[Mask]:
        """What was painted for a shot, the earlier first, turned as its frame is now."""
        folder = self.event.paths.shots / shot.id
        if shot.mask is not None:
            yield read_mask(folder / shot.mask).turned(frame.quarter_turns - shot.mask_turns)
        if shot.matte is not None:
            yield read_matte(folder / shot.matte).turned(frame.quarter_turns - shot.matte_turns)

    def frame(self, shot: Shot) -> Frame:
        """A shot's frame: the one at hand, where it was just placed."""
        if self._ready is not None and self._ready.shot_id == shot.id:
            return self._ready.frame
        return load_frame(self.event, shot)

    def staged(
        self, shot: Shot, beside: Sequence[Shot], wanted: Wanted, fields: Mapping[str, str]
    ) -> Staged:
        """Everything of a picture at its place, before it is laid together."""
        template, made, notes = self._design(wanted)
        standing = self._placed(shot, beside, template, made, notes, fields)
        # Not before: beside a frame that is being keyed it would cost the most memory.
        scene = template.scene(made.size, fields, self.device)
        for slot, step in self._retouches(standing):
            scene = scene.topped(slot, step(slice(0, scene.size[0])).to(self.device))
        told = standing.taken, standing.notes
        return Staged(template, made, standing.stands, *told, scene)

    def _design(self, wanted: Wanted) -> tuple[Template, Print, list[str]]:
        """The design that is wanted, how large it is made, and what to say of that."""
        template = self.event.template_version(wanted.template, wanted.template_version)
        made = template.print_as(wanted.size)
        if made is None:
            return template, template.own_print, [other_shape(str(wanted.size), template)]
        return template, made, []

    def _placed(
        self,
        shot: Shot,
        beside: Sequence[Shot],
        template: Template,
        made: Print,
        notes: Sequence[str],
        fields: Mapping[str, str],
    ) -> Standing:
        """The subjects of a picture at their places; ``notes`` come first among its own."""
        told, shown = list(notes), [shot, *beside]
        taken = self._made_ready(shot).frame.taken
        stands: list[tuple[Shot, Placed] | None] = []
        for i, slot in enumerate(template.slots):
            if slot.shows > len(shown):
                told.append(EMPTY_SLOT.format(template.shots))
                stands.append(None)
                continue
            here = shown[slot.shows - 1]
            placed, said = self._stand(here, template, made.size, i)
            told += said
            stands.append((here, placed))
        told += template.scene_warnings(fields, made.size)
        return Standing(template, made, tuple(stands), taken, tuple(told))

    def _retouches(self, standing: Standing) -> Iterator[tuple[int, Step]]:
        """What was painted by hand over the subjects of a picture, with their slots."""
        for slot, stand in enumerate(standing.stands):
            step = None if stand is None else self._retouched(*stand, standing.made.size)
            if step is not None:
                yield slot, step

    def _picture(
        self, shot: Shot, beside: Sequence[Shot], wanted: Wanted, fields: Mapping[str, str]
    ) -> Picture:
        template, made, notes = self._design(wanted)
        scenes = template.strips(made.size, fields, self.device)
        # Before a frame is keyed, while there is room for what has to be made whole.
        scenes.prepare()
        standing = self._placed(shot, beside, template, made, notes, fields)
        for slot, step in self._retouches(standing):
            scenes.topped(slot, step)
        depth = output_of(self.event, shot.output).depth
        done = self._keyer_for(shot).print(standing.placed, scenes, depth)
        notes = list(standing.notes)
        if not done.screen_found:
            notes.append(NO_SCREEN)
        if done.coverage < LEAST_COVERAGE:
            notes.append(NOBODY)
        if done.plate_fits is False:
            notes.append(OTHER_SCREEN)
        told = tuple(dict.fromkeys(notes))
        return Picture(done.picture.cpu(), template.ppi, standing.taken, told, made)

    def lay(self, shot: Shot, staged: Staged, depth: int = 8) -> Composite:
        """The picture that was made ready, laid together, at 8 or 16 bits a sample."""
        return self._keyer_for(shot).lay(staged.placed, staged.scene, depth)

    def _retouched(self, shot: Shot, placed: Placed, size: tuple[int, int]) -> Step | None:
        """What was painted over a subject by hand, row by row of a picture; None for nothing."""
        found = self.retouch(shot)
        if found is None:
            return None
        codes, paper = found
        return rows_painted_over(
            codes, paper.placement, placed.placement, size, paper.frame_size[1]
        )

    def retouch(self, shot: Shot) -> tuple[Tensor, Paper] | None:
        """What was painted over a shot's subject by hand, and in which picture; None for nothing.

        Raises:
            UserError: its file is missing or damaged.
        """
        if shot.retouch is None:
            return None
        path = self.event.paths.shots / shot.id / shot.retouch
        try:
            data = path.read_bytes()
        except OSError as e:
            raise ShotError(
                f"the retouch {path} cannot be read ({e.strerror}); put it back from a copy."
            ) from e
        codes = read_png(data, f"the retouch of shot {shot.id}")
        return codes, Paper.from_json(shot.retouch_at)

    def _stand(
        self, shot: Shot, template: Template, size: tuple[int, int], slot: int
    ) -> tuple[Placed, list[str]]:
        """The subject of a shot at its place in a slot, and what to say of it."""
        here = self._made_ready(shot)
        frame = here.frame
        placing = template.placing(
            frame.upright_size, size, shot.mirror, slot, Nudge.from_json(dict(shot.nudge))
        )
        placed = here.keyer.place(frame.planes, frame.encoding, frame.quarter_turns, placing, size)
        notes = list(here.notes)
        notes += template.placement_notes(
            placed.figure,
            slot,
            frame_size=frame.upright_size,
            size=size,
            placement=placed.placement,
        )
        enlarged = enlargement_note(template.ppi, placed.placement.scale)
        return placed, [*notes, enlarged] if enlarged else notes
