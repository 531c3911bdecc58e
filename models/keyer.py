"""Keyer: planes in; matte, foreground and finished picture out. Live and final grade are one.

A frame is analysed small (the screen's colour, the subject's colour and core change slowly), then
every pixel that is neither surely screen nor surely subject is solved at full size.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence

import torch

from models import matte
from models.analysis import Analysis, Known
from models.analysis import Grade as Grade
from models.basis import Basis
from models.color import Encoding, Planes
from models.composite import Scene
from models.corrector import Corrector
from models.cut import Composite as Composite
from models.cut import Cut as Cut
from models.cut import Placed as Placed
from models.cut import Printed as Printed
from models.figure import Figure as Figure
from models.kernels.fused import Fused, fused
from models.laying import Laying
from models.looking import Looking
from models.mask import Mask
from models.placing import Placer
from models.placing import Placing as Placing
from models.recall import Mark
from models.sequence import KeyedClip, Parts
from models.settings import KeySettings as KeySettings
from models.siting import sited
from models.solver import Solver
from models.strips import StripLaying, Strips
from models.upright import Upright
from models.whole import cut_whole


class Keyer:
    """Cuts subjects out and lays them into pictures; keeps a plate and a mask between frames.

    One Keyer serves one source. It is not for several threads at once.
    """

    def __init__(
        self,
        grade: Grade = Grade.FINAL,
        settings: KeySettings | None = None,
        device: str | torch.device = "cpu",
        clip: bool = False,
    ) -> None:
        """Make one.

        Args:
            grade: how much work a picture gets.
            settings: what a person set.
            device: where it works.
            clip: the frames follow each other, so what they show of the screen is remembered;
                else every frame is cut by itself.
        """
        self.grade = grade
        self.settings = settings or KeySettings()
        self.device = torch.device(device)
        self.solver = Solver(grade, self.settings, self.device)
        """Cuts windows of frames; what it is told comes from here."""
        live = grade is Grade.LIVE
        self.corrector = Corrector.trained(self.solver.network, live, self.device)
        """Corrects its mattes where the edge network's weights are there."""
        self._analysis = Analysis(grade, self.settings, clip, self.corrector)
        self._placer = Placer(grade, self.device, self.solver, self._analysis)
        # A still is laid into several templates, and stands in several slots of one.
        remembers = grade is Grade.FINAL and not clip
        self._look = Looking(grade, self.device, self._analysis, remembers)
        self._plate: Mark | None = None
        self._laying = Laying(self.settings.light_wrap)
        self.parts = Fused()
        """What is used in place of plain torch."""

    def set_plate(
        self, planes: Planes | None, encoding: Encoding | None = None, quarter_turns: int = 0
    ) -> None:
        """Keep the picture of the bare screen, or drop it; the one that is kept costs nothing.

        Args:
            planes: three (H, W) integer tensors as in `cut`; None drops the plate.
            encoding: how to read them.
            quarter_turns: clockwise turns that make the plate upright.
        """
        encoding = encoding or Encoding()
        if planes is None:
            plate, mark = None, None
        elif self._plate and self._plate.stands_for(planes, encoding, quarter_turns):
            return
        else:
            plate = self._look.upload(planes, encoding, quarter_turns)
            mark = Mark.of(planes, encoding, quarter_turns)
        self._analysis.set_plate(plate)
        if self.parts.analyser is not None:
            self.parts.analyser.set_plate(plate)
        self._plate = mark
        self._look.forget()

    def use_kernels(self, threads: int = 1) -> None:
        """Key by the kernels that `models.kernels.load` made ready; live only.

        Args:
            threads: how many share a frame on a CPU.
        """
        if self.grade is Grade.LIVE and self.solver.network is not None:
            plate, refiner = self._analysis.plate, self.corrector.refiner
            self._use(fused(self.solver.network, self.settings, plate, threads, refiner))

    def drop_kernels(self) -> None:
        """Key by plain torch again, as when kernels have failed."""
        self._use(Fused())

    def _use(self, parts: Fused) -> None:
        self.parts = parts
        self._analysis.steps = parts.steps
        self._look.core = self._placer.core = self._laying.core = parts.core

    @property
    def fineness(self) -> float:
        """In (0, 1]: a frame is scaled to at most this share before it is keyed."""
        return self._placer.fineness

    @fineness.setter
    def fineness(self, share: float) -> None:
        self._placer.fineness = share

    @property
    def heeds_fineness(self) -> bool:
        """Whether that counts; on a card frames are keyed at their full size."""
        return self.parts.engine is None

    def set_mask(self, painted: Mask | None) -> None:
        """Keep strokes painted by hand that override the matte of every frame, or drop them.

        Args:
            painted: over the upright frame, not mirrored, of its full size.
        """
        here = None if painted is None else painted.to(self.device)
        self._look.mask = self._placer.mask = here

    def occupied(self, planes: Planes, encoding: Encoding, quarter_turns: int = 0) -> float:
        """How much of a would-be clean plate is not screen: somebody in it, stands, walls.

        Args:
            planes, encoding, quarter_turns: as in `cut`.

        Returns:
            The share of the picture, 0 to 1; 1 where no screen is to be seen.
        """
        plate = self._look.upload(planes, encoding, quarter_turns)
        return self._analysis.read_plate(plate).occupied

    def cut(self, planes: Planes, encoding: Encoding, quarter_turns: int = 0) -> Cut:
        """Cut the subject out of a frame at full size.

        Args:
            planes: three (H, W) integer tensors: Y', Cb, Cr (chroma full or half) or R', G', B'.
            encoding: how to read them.
            quarter_turns: clockwise turns that make the frame upright.

        Raises:
            ShapeError: planes that do not belong together, or a plate or mask of another size.
        """
        frame = self._look.upload(planes, sited(planes, encoding), quarter_turns)
        return self._cut_whole(frame, self._look.analyse(frame))

    def cut_sequence(self, frames: Iterable[tuple[Planes, Encoding, int]]) -> Iterator[Cut]:
        """Cut the subject out of a clip: a new one begins with every call.

        Final grade holds the matte still where nothing moves. Only the past is looked at: a frame
        is read when its cut is asked for.

        Args:
            frames: planes, encoding and quarter turns of each, as in `cut`.

        Yields:
            One cut a frame, in order.

        Raises:
            ShapeError: as in `cut`.
        """
        clip = self.clip()
        for frame in frames:
            yield clip.next(*frame).cut()

    def clip(self) -> KeyedClip:
        """Begin a clip whose frames are placed, or cut, one by one as in `cut_sequence`."""
        return KeyedClip(
            Parts(
                self._look.upload,
                self._look.painted,
                self._cut_whole,
                self._placer,
                self._analysis,
                self.grade is Grade.FINAL,
                self.device,
            )
        )

    def _cut_whole(self, frame: Upright, known: Known) -> Cut:
        strokes = None if self._look.mask is None else self._look.mask.strokes
        shadows = self.settings.shadow == "keep"
        return cut_whole(frame, known, self.solver, self.grade, strokes, shadows)

    def composite(
        self,
        planes: Planes,
        encoding: Encoding,
        quarter_turns: int,
        scene: Scene,
        placing: Placing | Sequence[Placing | None],
    ) -> Composite:
        """Lay the subject of a frame into a template.

        A frame that gets smaller is scaled before it is keyed: mixing is linear, so the matte of
        the smaller frame is as exact, and less noisy.

        Args:
            planes, encoding, quarter_turns: as in `cut`.
            scene: the template at the picture's size, on this Keyer's device.
            placing: where the upright frame lies in the picture, or what tells it from the
                figure that is found in the frame; for the first slot, or one for each slot, None
                where it stays empty.

        Raises:
            ShapeError: as in `cut`, or more places than slots.
        """
        placings: list[Placing | None]
        placings = list(placing) if isinstance(placing, Sequence) else [placing]
        seen: tuple[Upright, Known] | None = None
        if self.parts.engine is not None and self._look.mask is None:
            if any(callable(p) for p in placings):
                seen = self._look(planes, encoding, quarter_turns)
                figure = self._placer.figure(*seen)
                placings = [p(figure) if callable(p) else p for p in placings]
            done = self.parts.engine.composite(planes, encoding, quarter_turns, scene, placings)
            if done is not None:
                return done
        frame, known = seen or self._look(planes, encoding, quarter_turns)
        placed = [
            None if p is None else self._placer(frame, known, p, scene.size) for p in placings
        ]
        return self.lay(placed, scene)

    def place(
        self,
        planes: Planes,
        encoding: Encoding,
        quarter_turns: int,
        placement: Placing,
        size: tuple[int, int],
    ) -> Placed:
        """The first half of `composite`: key the frame and scale its subject to the picture.

        Args:
            planes, encoding, quarter_turns, placement: as in `composite`.
            size: (H, W) of the picture.

        Raises:
            ShapeError: as in `cut`.
        """
        return self._placer(*self._look(planes, encoding, quarter_turns), placement, size)

    def figure(
        self, planes: Planes, encoding: Encoding, quarter_turns: int = 0, follows: bool = False
    ) -> Figure | None:
        """Find where the subject stands in a frame, by a small matte.

        `place` finds it on its own where it is given a function; this is for looking at it alone.

        Args:
            planes, encoding, quarter_turns: as in `cut`.
            follows: the camera stands as for the frame that was looked at before, so the plate
                stays where it was laid for that.

        Returns:
            None where nobody is, or no screen.

        Raises:
            ShapeError: as in `cut`.
        """
        frame = self._look.upload(planes, encoding, quarter_turns)
        # A small matte tells bounds and head without the edge network, which takes its time.
        known = self._look.analyse(frame, follows, corrects=False)
        return self._placer.figure(frame, known)

    def lay(
        self, placed: Placed | Sequence[Placed | None], scene: Scene, depth: int = 8
    ) -> Composite:
        """The second half of `composite`: subjects between what is below and above them.

        Args:
            placed: what `place` gave for a picture of the scene's size: for its first slot, or
                one for each; None where a slot stays empty.
            scene: the template, on this Keyer's device.
            depth: bits a sample of the picture, 8 or 16.

        Raises:
            ShapeError: more subjects than slots, or another depth.
        """
        return self._laying(placed, scene, depth)

    def print(self, placed: Sequence[Placed | None], scenes: Strips, depth: int = 8) -> Printed:
        """What `lay` gives, strip by strip: for prints, of which some are very large.

        Args:
            placed: what `place` gave, one for each slot, None where it stays empty.
            scenes: the template, on this Keyer's device.
            depth: bits a sample of the picture, 8 or 16.

        Raises:
            ShapeError: as in `lay`.
        """
        return StripLaying(self.settings.light_wrap)(placed, scenes, depth)

    def describe(
        self, planes: Planes, encoding: Encoding
    ) -> tuple[matte.Subject, matte.Asked] | None:
        """What the network is told about an upright frame: for its training.

        Args:
            planes, encoding: as in `cut`.

        Returns:
            None where the frame shows no screen.
        """
        frame = self._look.upload(planes, encoding, 0)
        known = self._look.analyse(frame, corrects=False)
        if known.bare is None or known.subject is None:
            return None
        everywhere = slice(0, frame.size[0]), slice(0, frame.size[1])
        shown = frame.linear(*everywhere)
        asked = matte.ask(shown, known.bare, known.subject, known.noise, *everywhere, frame.size)
        return known.subject, asked

    def basis(self, planes: Planes, encoding: Encoding) -> Basis | None:
        """What the edge network is told about an upright frame: for its training.

        Args:
            planes, encoding: as in `cut`.

        Returns:
            None where the frame shows no screen, or nothing is asked about.
        """
        frame = self._look.upload(planes, encoding, 0)
        known = self._look.analyse(frame, corrects=False)
        if known.bare is None or known.subject is None:
            return None
        factor = self._analysis.factor(frame.size)
        small = self._analysis.steps.reduced(frame, factor)
        return self.corrector.basis(small, known.bare, known.subject, known.noise / factor)
