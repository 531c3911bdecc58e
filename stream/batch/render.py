"""From a kept shot to the pixels of its picture: the same keyer as live, at final grade."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from torch import Tensor

from models.composite import Overlay, Scene
from models.cut import Composite
from models.errors import PosewallError
from models.keyer import Grade, Keyer, KeySettings, Placed
from models.mapping import rows_painted_over
from models.mask import Mask
from stream.batch.picture import enlargement_note
from stream.capture.frame import Frame
from stream.event import Event
from stream.memory import trim
from stream.opening.openings import Paper
from stream.painted import read_mask, read_matte
from stream.people import texts
from stream.shot import Plate, Shot, ShotError, Wanted, load_frame, load_plate, load_shot, output_of
from stream.shot.ordering import other_shape
from stream.template import Nudge, Template
from stream.template.png import read_png
from stream.template.stripped import Stripped
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
class Staged:
    """A picture before it is laid together.

    Attributes:
        template: the design.
        made: how large the picture is.
        scene: the design with words, and retouches above their subjects.
        stands: of each slot the shot and its subject at its place; None where it stays empty.
        taken: when the main shot's frame was taken.
        notes: warnings, for people.
    """

    template: Template
    made: Print
    scene: Scene
    stands: tuple[tuple[Shot, Placed] | None, ...]
    taken: datetime
    notes: tuple[str, ...]


@dataclass(frozen=True)
class _Standing:
    """The subjects of a picture at their places, and what they stand in; as in `Staged`."""

    template: Template
    made: Print
    stands: tuple[tuple[Shot, Placed] | None, ...]
    taken: datetime
    notes: tuple[str, ...]
    scenes: Stripped | None = None


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
        placed = self._placed(shot, beside, wanted, fields)
        # Not before: beside a frame that is being keyed it would cost the most memory.
        scene = placed.template.scene(placed.made.size, fields, self.device)
        for i, stand in enumerate(placed.stands):
            step = None if stand is None else self._retouched(*stand, placed.made.size)
            if step is not None:
                scene = scene.topped(i, step(slice(0, scene.size[0])).to(self.device))
        return Staged(
            placed.template, placed.made, scene, placed.stands, placed.taken, placed.notes
        )

    def _placed(
        self,
        shot: Shot,
        beside: Sequence[Shot],
        wanted: Wanted,
        fields: Mapping[str, str],
        strips: Callable[[Template, Print], Stripped] | None = None,
    ) -> _Standing:
        """The subjects of a picture at their places.

        Args:
            shot, beside, wanted, fields: as in `staged`.
            strips: called before a frame is keyed, for what a picture in strips has to make whole.
        """
        template = self.event.template_version(wanted.template, wanted.template_version)
        notes: list[str] = []
        made = template.print_as(wanted.size)
        if made is None:
            notes.append(other_shape(str(wanted.size), template))
            made = template.own_print
        size = made.size
        scenes = None if strips is None else strips(template, made)
        shown = [shot, *beside]
        taken = self._made_ready(shot).frame.taken
        stands: list[tuple[Shot, Placed] | None] = []
        for i, slot in enumerate(template.slots):
            if slot.shows > len(shown):
                notes.append(EMPTY_SLOT.format(template.shots))
                stands.append(None)
                continue
            here = shown[slot.shows - 1]
            placed, told = self._stand(here, template, size, i)
            notes += told
            stands.append((here, placed))
        notes += template.scene_warnings(fields, size)
        return _Standing(template, made, tuple(stands), taken, tuple(notes), scenes)

    def _picture(
        self, shot: Shot, beside: Sequence[Shot], wanted: Wanted, fields: Mapping[str, str]
    ) -> Picture:
        def strips(template: Template, made: Print) -> Stripped:
            scenes = template.strips(made.size, fields, self.device)
            scenes.prepare()
            return scenes

        placed = self._placed(shot, beside, wanted, fields, strips)
        scenes, notes = placed.scenes, list(placed.notes)
        if scenes is None:  # pragma: no cover - given above
            raise ShotError("the template gave no picture; render the shot again.")
        for i, stand in enumerate(placed.stands):
            step = None if stand is None else self._retouched(*stand, placed.made.size)
            if step is not None:
                scenes.topped(i, step)
        stands = [s and s[1] for s in placed.stands]
        depth = output_of(self.event, shot.output).depth
        done = self._keyer_for(shot).print(stands, scenes, depth)
        if not done.screen_found:
            notes.append(NO_SCREEN)
        if done.coverage < LEAST_COVERAGE:
            notes.append(NOBODY)
        if done.plate_fits is False:
            notes.append(OTHER_SCREEN)
        return Picture(
            done.picture.cpu(),
            placed.template.ppi,
            placed.taken,
            tuple(dict.fromkeys(notes)),
            placed.made,
        )

    def lay(self, shot: Shot, staged: Staged, depth: int = 8) -> Composite:
        """The picture that was made ready, laid together, at 8 or 16 bits a sample."""
        stands = [s and s[1] for s in staged.stands]
        return self._keyer_for(shot).lay(stands, staged.scene, depth)

    def _retouched(
        self, shot: Shot, placed: Placed, size: tuple[int, int]
    ) -> Callable[[slice], Overlay] | None:
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
