"""Keyer: planes in; matte, foreground and finished picture out. Live and final grade are one.

A frame is analysed small (the screen's colour, the subject's colour and core change slowly), then
every pixel that is neither surely screen nor surely subject is solved at full size.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from enum import Enum

import torch
from torch import Tensor

from models import mask, matte, screen, shadow
from models.color import Encoding, Planes
from models.composite import Scene
from models.cut import Composite as Composite
from models.cut import Cut as Cut
from models.cut import Placed as Placed
from models.cut import Shade
from models.despill import despill, unmix
from models.edge import choke
from models.errors import ShapeError
from models.field import Fitted, fit
from models.laying import Laying
from models.mask import Mask
from models.outside import with_outside
from models.plate import Plate, plate_misfit, read_plate
from models.pyramid import enlarge_part, grow
from models.register import registered
from models.resample import Placement, resize, scaled_part, visible
from models.running import Running
from models.screen import Hue
from models.settings import KeySettings as KeySettings
from models.siting import sited
from models.steady import Steady
from models.upright import Upright
from models.window import bounds, hull, inside, moved, scaled


class Grade(Enum):
    """How much work a picture gets: ``LIVE`` is a subset of ``FINAL``."""

    LIVE = "live"
    FINAL = "final"


_ANALYSIS_SIDE = {Grade.LIVE: 320, Grade.FINAL: 1280}
"""chosen: longest side of the analysis in pixels; finer was no better on rendered scenes."""
_FOLLOW = {Grade.LIVE: 6, Grade.FINAL: 24}
_ROUNDS = {Grade.LIVE: 1, Grade.FINAL: 2}

_MISFIT_STOPS = 0.35
"""chosen: a plate moved by a few pixels or brighter by .15 stop stays under .05 on rendered
scenes; a plate of another screen or a turned one lies above .4."""


@dataclass(frozen=True)
class _Known:
    """What the analysis of a whole frame told."""

    bare: Fitted | None
    subject: matte.Subject | None
    plate_fits: bool | None
    noise: float
    where: tuple[slice, slice]
    dark: Tensor | None = None


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
        self._running = Running() if clip else None
        self.settings = settings or KeySettings()
        self.device = torch.device(device)
        self._plate: Upright | None = None
        self._plate_small: Plate | None = None
        self._mask: Mask | None = None
        self._laying = Laying(self.settings.light_wrap)

    def set_plate(
        self, planes: Planes | None, encoding: Encoding | None = None, quarter_turns: int = 0
    ) -> None:
        """Keep the picture of the bare screen, or drop it.

        Args:
            planes: three (H, W) integer tensors as in `cut`; None drops the plate.
            encoding: how to read them.
            quarter_turns: clockwise turns that make the plate upright.
        """
        self._plate = self._plate_small = None
        if planes is not None:
            self._plate = self._upload(planes, encoding or Encoding(), quarter_turns)

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
        return self._read_plate(self._upload(planes, encoding, quarter_turns)).occupied

    def cut(self, planes: Planes, encoding: Encoding, quarter_turns: int = 0) -> Cut:
        """Cut the subject out of a frame at full size.

        Args:
            planes: three (H, W) integer tensors: Y', Cb, Cr (chroma full or half) or R', G', B'.
            encoding: how to read them.
            quarter_turns: clockwise turns that make the frame upright.

        Raises:
            ShapeError: planes that do not belong together, or a plate or mask of another size.
        """
        return next(iter(self.cut_sequence([(planes, encoding, quarter_turns)])))

    def cut_sequence(self, frames: Iterable[tuple[Planes, Encoding, int]]) -> Iterator[Cut]:
        """Cut the subject out of a clip: a new one begins with every call.

        Final grade holds the matte still where nothing moves. Only the past is looked at: a frame
        is read when its cut is asked for, and the first one is cut as `cut` does.

        Args:
            frames: planes, encoding and quarter turns of each, as in `cut`.

        Yields:
            One cut a frame, in order.

        Raises:
            ShapeError: as in `cut`.
        """
        steady = Steady()
        told: Encoding | None = None
        for planes, encoding, turns in frames:
            if told != encoding:
                told, found = encoding, sited(planes, encoding)
            shown = calm = self._upload(planes, found, turns)
            if self.grade is Grade.FINAL:
                calm = Upright(steady.follow(shown.planes, found), found, turns)
            yield self._cut_whole(calm, shown)

    def _cut_whole(self, frame: Upright, noisy: Upright) -> Cut:
        known = self._analyse(frame, noisy)
        everywhere = slice(0, frame.size[0]), slice(0, frame.size[1])
        strokes = None if self._mask is None else self._mask.strokes
        cut = self._cut(frame.linear(*everywhere), known, frame.size, *everywhere, 1.0, strokes)
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
        placement: Placement,
    ) -> Composite:
        """Lay the subject of a frame into a template.

        A frame that gets smaller is scaled before it is keyed: mixing is linear, so the matte of
        the smaller frame is as exact, and less noisy.

        Args:
            planes, encoding, quarter_turns: as in `cut`.
            scene: the template at the picture's size, on this Keyer's device.
            placement: where the upright frame lies in the picture.

        Raises:
            ShapeError: as in `cut`.
        """
        placed = self.place(planes, encoding, quarter_turns, placement, scene.size)
        return self.lay(placed, scene)

    def place(
        self,
        planes: Planes,
        encoding: Encoding,
        quarter_turns: int,
        placement: Placement,
        size: tuple[int, int],
    ) -> Placed:
        """The first half of `composite`: key the frame and scale its subject to the picture.

        Args:
            planes, encoding, quarter_turns, placement: as in `composite`.
            size: (H, W) of the picture.

        Raises:
            ShapeError: as in `cut`.
        """
        frame = self._upload(planes, encoding, quarter_turns)
        known = self._analyse(frame)
        nobody = Placed(None, slice(0, 0), slice(0, 0), known.bare is not None, known.plate_fits)
        seen = visible(frame.size, placement, size)
        if seen is None:
            return nobody
        rows, columns, part = seen
        # The window is scaled whole, and the same in every frame: cut to the subject first, it
        # would shift by parts of a pixel as the subject moves.
        full, origin = frame.size, (rows.start, columns.start)
        extent = (rows.stop - rows.start, columns.stop - columns.start)
        shrink = min(1.0, part.scale)
        if shrink < 1:
            full, extent = scaled(full, shrink), scaled(extent, shrink)
            origin = (
                min(round(origin[0] * shrink), full[0] - 1),
                min(round(origin[1] * shrink), full[1] - 1),
            )
            extent = min(extent[0], full[0] - origin[0]), min(extent[1], full[1] - origin[1])
        part = replace(part, scale=part.scale / shrink)
        strokes = None
        if self._mask is not None:
            strokes = resize(self._mask.strokes[..., rows, columns], extent)
        if known.dark is not None:
            dark_at = bounds(grow(known.dark, 1) > 0, self._factor(frame.size), frame.size)
            inner = inside(dark_at, shrink, origin, extent)
            if inner is not None:
                dark = shadow.window(known.dark, full, origin, extent, inner, strokes)
                shade = scaled_part(dark, part, size, smooth=False, within=inner)
                nobody = replace(nobody, shade=shade and Shade(1 - shade[0], *shade[1:]))
        inner = inside(known.where, shrink, origin, extent)
        if inner is None:
            return nobody
        down, across = inner
        window = moved(down, origin[0]), moved(across, origin[1])
        if shrink < 1:
            rgb = resize(frame.linear(rows, columns), extent)[..., down, across]
        else:
            rgb = frame.linear(*window)
        strokes = None if strokes is None else strokes[..., down, across]
        cut = self._cut(rgb, known, full, *window, shrink, strokes)
        whole = rgb.new_zeros(1, 4, *extent)
        whole[:, 0:3, down, across] = cut.fg * cut.alpha
        whole[:, 3:4, down, across] = cut.alpha
        laid = scaled_part(whole, part, size, self.grade is Grade.FINAL, inner)
        return (
            nobody
            if laid is None
            else replace(nobody, subject_pm=laid[0], rows=laid[1], columns=laid[2])
        )

    def lay(self, placed: Placed, scene: Scene) -> Composite:
        """The second half of `composite`: the subject between what is below and above it.

        Args:
            placed: what `place` gave for a picture of the scene's size.
            scene: the template, on this Keyer's device.
        """
        return self._laying(placed, scene)

    def _upload(self, planes: Planes, encoding: Encoding, quarter_turns: int) -> Upright:
        y, cb, cr = (p.to(self.device, non_blocking=True) for p in planes)
        return Upright((y, cb, cr), encoding, quarter_turns)

    def _plate_at(self, size: tuple[int, int], frame_size: tuple[int, int]) -> Plate | None:
        """The plate scaled to the analysis, made once per size."""
        if self._plate is None:
            return None
        have = self._plate.size
        if have != frame_size:
            raise ShapeError(
                f"clean plate: it is {have[1]}x{have[0]} and the frame is "
                f"{frame_size[1]}x{frame_size[0]} (width x height, upright); take a new plate "
                "with this camera standing as it does now"
            )
        if self._plate_small is None or self._plate_small.color.shape[-2:] != size:
            self._plate_small = self._read_plate(self._plate)
        return self._plate_small

    def _read_plate(self, plate: Upright) -> Plate:
        """A plate at analysis size, without what stands in it."""
        taken = plate.reduced(self._factor(plate.size))
        return read_plate(taken, screen.find(taken, self._wanted()))

    def _wanted(self) -> Hue | None:
        return None if self.settings.screen == "auto" else Hue[self.settings.screen.upper()]

    def _factor(self, size: tuple[int, int]) -> int:
        return max(1, round(max(size) / _ANALYSIS_SIDE[self.grade]))

    def _analyse(self, frame: Upright, noisy: Upright | None = None) -> _Known:
        """What the whole frame tells of its screen and its subject.

        Args:
            frame: the frame that is keyed.
            noisy: as it was before anything was averaged, where that is another; what moves in an
                averaged frame is as noisy as ever.
        """
        if self._mask is not None and self._mask.size != frame.size:
            have = self._mask.size
            raise ShapeError(
                f"mask: it is {have[1]}x{have[0]} and the frame is {frame.size[1]}x{frame.size[0]} "
                "(width x height, upright); paint it over this frame at its full size"
            )
        small = frame.reduced(self._factor(frame.size))
        plate = self._plate_at((small.shape[-2], small.shape[-1]), frame.size)
        found = screen.find(small, self._wanted())
        everywhere = slice(0, frame.size[0]), slice(0, frame.size[1])
        if found is None:
            return _Known(None, None, None, 0.0, everywhere)
        hue, color = found
        final = self.grade is Grade.FINAL
        fits = None if plate is None else plate_misfit(small, plate.color, hue) < _MISFIT_STOPS
        plate = plate if fits else None
        if plate is not None and final:
            plate = registered(small, plate)
        bare = self._fit(small, hue, color, plate)
        bare = with_outside(small, bare, plate)
        # What is held out looks like screen to all that follows.
        kept = torch.lerp(small, bare.color, bare.hold_out)
        subject = matte.find_subject(kept, bare, _FOLLOW[self.grade], close=final)
        unclear = torch.minimum(1 - bare.sure, 1 - bare.hold_out) > 0
        where = bounds(unclear, self._factor(frame.size), frame.size)
        if self._mask is not None:
            where = hull(where, bounds(self._mask.strokes[:, 0:1] > 0, 1, frame.size))
        noise = bare.noise((noisy or frame).sampled(self._factor(frame.size)))
        dark = None
        if self.settings.shadow == "keep":
            lit = None if plate is None else plate.color
            dark = shadow.darkness(small, bare, lit, subject.core)
        return _Known(bare, subject, fits, noise, where, dark)

    def _fit(self, small: Tensor, hue: Hue, color: Tensor, plate: Plate | None) -> Fitted:
        """Fit the screen, from the plate, else from what a clip showed of it, else anew."""
        if plate is not None:
            return fit(small, plate.color, hue, from_plate=True)
        if self._running is None:
            return fit(small, color, hue, from_plate=False)
        lately = self._running.guess(hue, (small.shape[-2], small.shape[-1]))
        if lately is not None and plate_misfit(small, lately, hue) > _MISFIT_STOPS:
            lately = None
            self._running.forget()
        bare = fit(small, color if lately is None else lately, hue, lately is not None)
        self._running.learn(bare)
        return bare

    def _cut(
        self,
        shown: Tensor,
        known: _Known,
        size: tuple[int, int],
        rows: slice,
        columns: slice,
        scale: float,
        strokes: Tensor | None,
    ) -> Cut:
        """Solve a window of a frame of ``size``, scaled by ``scale``, by what the whole told."""
        bare, subject = known.bare, known.subject
        if bare is None or subject is None:
            alpha, fg = torch.ones_like(shown[:, 0:1]), shown.clone()
            if strokes is not None:
                alpha, fg = mask.override(alpha, fg, shown, strokes)
            return Cut(alpha, fg, False, known.plate_fits)
        forced = matte.step(subject.core, 0.2, 0.9)
        forms = [bare.color, subject.color, forced, subject.own_key, bare.hold_out]
        small = torch.cat(forms, 1)
        wide = enlarge_part(small, rows, columns, size)
        back, front, core, own_key = wide[:, 0:3], wide[:, 3:6], wide[:, 6:7], wide[:, 7:8]
        rough = matte.normalised_difference(shown, back, bare.hue) * (1 - wide[:, 8:9])
        # chosen: alpha begins at three deviations of the noise (which a reduction averages); at a
        # fifth at the most, or hair would go with the noise.
        noise = 3 * known.noise * min(1.0, scale)
        black = max(self.settings.clip_black, min(noise, 0.2))
        alpha, fg = self._solve(shown, back, front, core, rough, black)
        if self.settings.choke:
            alpha, fg = choke(alpha, fg, self.settings.choke * scale)
        if strokes is not None:
            alpha, fg = mask.override(alpha, fg, shown, strokes)
        amounts = self.settings.despill, self.settings.despill_luminance
        fg = despill(fg, back, own_key, bare.hue, *amounts)
        return Cut(alpha, fg, True, known.plate_fits, garbage=bare.unsettled)

    def _solve(
        self,
        rgb: Tensor,
        back: Tensor,
        front: Tensor,
        core: Tensor,
        rough: Tensor,
        black: float,
    ) -> tuple[Tensor, Tensor]:
        """Alpha and unmixed foreground of pixels whose two colours are known."""
        # The core was found small: a pixel that is plainly screen by itself is not forced.
        core = core * ((rough - 0.1) * 5).clamp_(0, 1)
        undecided = (core < 1) & (rough > black * 0.5)
        alpha, fg = core.clone(), rgb.clone()
        if self.device.type == "cpu":
            # Few pixels are undecided: on a CPU gathering them costs less than solving all.
            index = undecided.flatten().nonzero().flatten()
            pixels, behind, before, first = (
                x.flatten(2)[..., index] for x in (rgb, back, front, rough)
            )
            solved = matte.solve(pixels, behind, before, first, _ROUNDS[self.grade])
            alpha.view(-1)[index] = torch.maximum(solved[0, 0], core.view(-1)[index])
            fg.view(1, 3, -1)[..., index] = unmix(pixels, solved, behind, before)
        else:
            solved = matte.solve(rgb, back, front, rough, _ROUNDS[self.grade])
            alpha = torch.where(undecided, torch.maximum(solved, core), alpha)
            fg = torch.where(undecided, unmix(rgb, solved, back, front), fg)
        white = max(black + 0.01, self.settings.clip_white)
        alpha = ((alpha - black) / (white - black)).clamp_(0, 1)
        return alpha, fg
