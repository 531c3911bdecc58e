"""Keyer: planes in; matte, foreground and finished picture out. Live and final grade are one.

A frame is analysed small (the screen's colour, the subject's colour and core change slowly), then
every pixel that is neither surely screen nor surely subject is solved at full size.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import replace

import torch

from models import matte, shadow
from models.analysis import Analysis, Known
from models.analysis import Grade as Grade
from models.banded import cut_in_bands
from models.color import Encoding, Planes
from models.composite import Scene
from models.cut import Composite as Composite
from models.cut import Cut as Cut
from models.cut import Placed as Placed
from models.cut import Printed as Printed
from models.cut import Shade
from models.enlarged import Enlarged
from models.errors import ShapeError
from models.figure import SIDE, find_figure
from models.figure import Figure as Figure
from models.laying import Laying
from models.mask import Mask
from models.pyramid import enlarge, grow
from models.recall import Mark
from models.resample import Placement, resize, scaled_part, spans_in, visible
from models.settings import KeySettings as KeySettings
from models.siting import sited
from models.solver import Solver
from models.steady import Steady
from models.strips import StripLaying, Strips
from models.upright import Upright
from models.window import at_scale, bands, bounds, hull, inside, moved

Placing = Placement | Callable[[Figure | None], Placement]
"""Where a frame lies, or what tells it from the figure in the frame (None: nobody)."""


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
        self.fineness = 1.0
        """In (0, 1]: a frame is scaled to at most this share before it is keyed for a picture."""
        self._analysis = Analysis(grade, self.settings, clip)
        # A still is laid into several templates, and stands in several slots of one.
        self._remembers = grade is Grade.FINAL and not clip
        self._seen: tuple[Mark, Encoding, Known] | None = None
        self._plate: Mark | None = None
        self._mask: Mask | None = None
        self._laying = Laying(self.settings.light_wrap)

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
            plate = self._upload(planes, encoding, quarter_turns)
            mark = Mark.of(planes, encoding, quarter_turns)
        self._analysis.set_plate(plate)
        self._plate, self._seen = mark, None

    def use_kernels(self, threads: int = 1) -> None:
        """Key by the kernels that `models.kernels.load` made ready, shared by so many threads."""

    def set_mask(self, painted: Mask | None) -> None:
        """Keep strokes painted by hand that override the matte of every frame, or drop them.

        Args:
            painted: over the upright frame, not mirrored, of its full size.
        """
        self._mask = None if painted is None else painted.to(self.device)

    def occupied(self, planes: Planes, encoding: Encoding, quarter_turns: int = 0) -> float:
        """How much of a would-be clean plate is not screen: somebody in it, stands, walls.

        Args:
            planes, encoding, quarter_turns: as in `cut`.

        Returns:
            The share of the picture, 0 to 1; 1 where no screen is to be seen.
        """
        return self._analysis.read_plate(self._upload(planes, encoding, quarter_turns)).occupied

    def cut(self, planes: Planes, encoding: Encoding, quarter_turns: int = 0) -> Cut:
        """Cut the subject out of a frame at full size.

        Args:
            planes: three (H, W) integer tensors: Y', Cb, Cr (chroma full or half) or R', G', B'.
            encoding: how to read them.
            quarter_turns: clockwise turns that make the frame upright.

        Raises:
            ShapeError: planes that do not belong together, or a plate or mask of another size.
        """
        frame = self._upload(planes, sited(planes, encoding), quarter_turns)
        return self._cut_whole(frame, self._analyse(frame))

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
        steady = Steady()
        told: Encoding | None = None
        follows = False
        for planes, encoding, turns in frames:
            if told != encoding:
                told, found = encoding, sited(planes, encoding)
            shown = calm = self._upload(planes, found, turns)
            if self.grade is Grade.FINAL:
                calm = Upright(steady.follow(shown.planes, found), found, turns)
            known = self._analyse(calm, shown, follows)
            follows = True
            yield self._cut_whole(calm, replace(known, in_clip=True))

    def _cut_whole(self, frame: Upright, known: Known) -> Cut:
        everywhere = slice(0, frame.size[0]), slice(0, frame.size[1])
        strokes = None if self._mask is None else self._mask.strokes
        alpha = torch.empty(1, 1, *frame.size, device=self.device)
        fg = torch.empty(1, 3, *frame.size, device=self.device)
        for band, part, color in cut_in_bands(
            self.solver,
            self.grade,
            lambda band: frame.linear(band, everywhere[1]),
            known,
            frame.size,
            *everywhere,
            1.0,
            strokes,
        ):
            alpha[..., band, :], fg[..., band, :] = part, color
        found = known.bare is not None and known.subject is not None
        garbage = None if known.bare is None else known.bare.unsettled
        cut = Cut(alpha, fg, found, known.plate_fits, garbage=garbage)
        if self.settings.shadow != "keep":
            return cut
        if known.dark is None:
            return replace(cut, shadow=torch.ones_like(cut.alpha))
        dark = shadow.window(known.dark, frame.size, (0, 0), frame.size, everywhere, strokes)
        return replace(cut, shadow=1 - dark)

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
        placings = list(placing) if isinstance(placing, Sequence) else [placing]
        frame, known = self._look(planes, encoding, quarter_turns)
        placed = [
            None if p is None else self._placed(frame, known, p, scene.size) for p in placings
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
        return self._placed(*self._look(planes, encoding, quarter_turns), placement, size)

    def _placed(
        self, frame: Upright, known: Known, placement: Placing, size: tuple[int, int]
    ) -> Placed:
        figure = None
        if not isinstance(placement, Placement):
            figure = self._figure(frame, known)
            placement = placement(figure)
        none = slice(0, 0)
        found, fits = known.bare is not None, known.plate_fits
        nobody = Placed(None, none, none, found, fits, placement, figure)
        seen = visible(frame.size, placement, size)
        if seen is None:
            return nobody
        rows, columns, part = seen
        shrink = min(1.0, part.scale)
        full, origin, extent = at_scale(frame.size, rows, columns, shrink)
        part = replace(part, scale=part.scale / shrink)
        strokes = None
        if self._mask is not None:
            strokes = resize(self._mask.strokes[..., rows, columns], extent)
        if known.dark is not None:
            dark_at = bounds(grow(known.dark, 1) > 0, self._analysis.factor(frame.size), frame.size)
            inner = inside(dark_at, shrink, origin, extent)
            if inner is not None:
                shade = self._shade(
                    known.dark, full, origin, extent, inner, strokes, part, placement, frame, size
                )
                nobody = replace(nobody, shade=shade)
        inner = inside(known.where, shrink, origin, extent)
        laid_size, laid_at = extent, inner
        if self.fineness < shrink:
            shrink = self.fineness
            full, origin, extent = at_scale(frame.size, rows, columns, shrink)
            inner = inside(known.where, shrink, origin, extent)
            strokes = None if strokes is None else resize(strokes, extent)
        if inner is None or laid_at is None:
            return nobody
        down, across = inner
        window = moved(down, origin[0]), moved(across, origin[1])
        strokes = None if strokes is None else strokes[..., down, across]
        if shrink < 1:
            smaller = frame.scaled(rows, columns, extent, inner)

            def linear(band: slice) -> torch.Tensor:
                return smaller[..., band, :]
        else:

            def linear(band: slice) -> torch.Tensor:
                return frame.linear(moved(band, window[0].start), window[1])

        pieces = cut_in_bands(
            self.solver, self.grade, linear, known, full, *window, shrink, strokes
        )
        # A frame that is enlarged stays as it is until its rows are laid.
        spans = spans_in(laid_size, part, size, laid_at)
        final = self.grade is Grade.FINAL
        if spans is None:
            return nobody
        grows = extent == laid_size and all(
            got > have for got, have in zip(spans[0], extent, strict=True)
        )
        if final and grows and self.device.type == "cpu":
            held = torch.empty(1, 4, down.stop - down.start, across.stop - across.start)
            for band, alpha, fg in pieces:
                torch.mul(fg, alpha, out=held[:, 0:3, band])
                held[:, 3:4, band] = alpha
            enlarged = Enlarged(held, inner, extent, spans[0], part, *spans[2])
            return replace(nobody, subject=enlarged, rows=spans[2][0], columns=spans[2][1])
        whole = torch.zeros(1, 4, *extent, device=self.device)
        for band, alpha, fg in pieces:
            there = moved(band, down.start)
            torch.mul(fg, alpha, out=whole[:, 0:3, there, across])
            whole[:, 3:4, there, across] = alpha
        if extent != laid_size:  # back to the size that it has otherwise: it stays where it was
            whole = resize(whole, laid_size, smooth=False)
        laid = scaled_part(whole, part, size, final, laid_at)
        return (
            nobody
            if laid is None
            else replace(nobody, subject=laid[0], rows=laid[1], columns=laid[2])
        )

    def _shade(
        self,
        dark: torch.Tensor,
        full: tuple[int, int],
        origin: tuple[int, int],
        extent: tuple[int, int],
        inner: tuple[slice, slice],
        strokes: torch.Tensor | None,
        part: Placement,
        placement: Placement,
        frame: Upright,
        size: tuple[int, int],
    ) -> Shade | None:
        """The subject's shadow in the picture; None where none of it shows."""
        whole = shadow.window(dark, full, origin, extent, inner, strokes)
        made = scaled_part(whole, part, size, smooth=False, within=inner)
        if made is None:
            return None
        dark, rows, columns = made
        left = torch.empty_like(dark, memory_format=torch.contiguous_format)
        for band in bands(rows, left.shape[-1], self.device):
            here = moved(band, -rows.start)
            faded = shadow.faded(dark[..., here, :], band, columns, placement, frame.size, size)
            torch.sub(1, faded, out=left[..., here, :])
        return Shade(left, rows, columns)

    def figure(self, planes: Planes, encoding: Encoding, quarter_turns: int = 0) -> Figure | None:
        """Find where the subject stands in a frame, by a small matte.

        `place` finds it on its own where it is given a function; this is for looking at it alone.

        Args:
            planes, encoding, quarter_turns: as in `cut`.

        Returns:
            None where nobody is, or no screen.

        Raises:
            ShapeError: as in `cut`.
        """
        frame = self._upload(planes, encoding, quarter_turns)
        return self._figure(frame, self._analyse(frame))

    def _figure(self, frame: Upright, known: Known) -> Figure | None:
        if known.bare is None:
            return None
        # Live the analysis' own size will do: the placement follows more coarsely than that.
        coarsest = self._analysis.factor(frame.size)
        factor = max(1, round(max(frame.size) / SIDE))
        factor = coarsest if self.grade is Grade.LIVE else factor
        small = frame.reduced(factor)
        size = (small.shape[-2], small.shape[-1])
        inner = inside(known.where, 1 / factor, (0, 0), size)
        if inner is None:
            return None
        window = (Ellipsis, *inner)
        strokes = None if self._mask is None else resize(self._mask.strokes, size)
        painted = None if strokes is None else strokes[window]
        part = small[window].contiguous()
        cut = self.solver.cut(part, known, size, *inner, 1 / factor, painted)
        alpha = small.new_zeros(1, 1, *size)
        alpha[window] = cut.alpha
        if cut.garbage is not None:
            # A wall beside the screen is no figure, unless somebody painted it as one.
            own = 1 - enlarge(cut.garbage, size)
            alpha *= own if strokes is None else torch.maximum(own, strokes[:, 0:1])
        return find_figure(alpha)

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

    def _look(
        self, planes: Planes, encoding: Encoding, quarter_turns: int
    ) -> tuple[Upright, Known]:
        """A frame and what it tells; the last still is not analysed twice."""
        seen = self._seen
        if seen is not None and seen[0].stands_for(planes, encoding, quarter_turns):
            frame = self._upload(planes, seen[1], quarter_turns)
            return frame, self._painted(frame, seen[2])
        found = sited(planes, encoding) if self.grade is Grade.FINAL else encoding
        frame = self._upload(planes, found, quarter_turns)
        known = self._analysis(frame)
        if self._remembers:
            self._seen = Mark.of(planes, encoding, quarter_turns), found, known
        return frame, self._painted(frame, known)

    def _upload(self, planes: Planes, encoding: Encoding, quarter_turns: int) -> Upright:
        y, cb, cr = (p.to(self.device, non_blocking=True) for p in planes)
        return Upright((y, cb, cr), encoding, quarter_turns)

    def _analyse(
        self, frame: Upright, noisy: Upright | None = None, follows: bool = False
    ) -> Known:
        """What the whole frame tells, with what is painted over it."""
        return self._painted(frame, self._analysis(frame, noisy, follows))

    def _painted(self, frame: Upright, known: Known) -> Known:
        """What is known of a frame, with what is painted over it."""
        if self._mask is None:
            return known
        if self._mask.size != frame.size:
            have = self._mask.size
            raise ShapeError(
                f"mask: it is {have[1]}x{have[0]} and the frame is {frame.size[1]}x{frame.size[0]} "
                "(width x height, upright); paint it over this frame at its full size"
            )
        painted = bounds(self._mask.strokes[:, 0:1] > 0, 1, frame.size)
        return replace(known, where=hull(known.where, painted))

    def describe(
        self, planes: Planes, encoding: Encoding
    ) -> tuple[matte.Subject, matte.Asked] | None:
        """What the network is told about an upright frame: for its training.

        Args:
            planes, encoding: as in `cut`.

        Returns:
            None where the frame shows no screen.
        """
        frame = self._upload(planes, encoding, 0)
        known = self._analyse(frame)
        if known.bare is None or known.subject is None:
            return None
        everywhere = slice(0, frame.size[0]), slice(0, frame.size[1])
        shown = frame.linear(*everywhere)
        asked = matte.ask(shown, known.bare, known.subject, known.noise, *everywhere, frame.size)
        return known.subject, asked
