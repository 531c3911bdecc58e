"""A keyed frame at its place in a picture: which part is cut, at which scale, and put where."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import TYPE_CHECKING

import torch

from models import shadow
from models.analysis import Analysis, Grade, Known
from models.banded import Banded
from models.cut import Placed, Shade
from models.enlarged import Enlarged
from models.figure import SIDE, Figure, find_figure
from models.mask import Mask
from models.pyramid import enlarge, grow
from models.resample import Placement, resize, scaled_part, spans_in, visible
from models.solver import Solver
from models.upright import Upright
from models.window import at_scale, bands, bounds, inside, moved

if TYPE_CHECKING:
    from models.kernels.cpu.core import Core

Placing = Placement | Callable[[Figure | None], Placement]
"""Where a frame lies, or what tells it from the figure in the frame (None: nobody)."""


class Placer:
    """Cuts subjects at the scale of a picture and puts them at their places in it.

    Attributes:
        fineness: in (0, 1]: a frame is scaled to at most this share before it is keyed.
        mask: strokes painted by hand over every frame, on the device; or None.
        core: cuts and places what it covers in place of torch; or None.
    """

    def __init__(self, grade: Grade, device: torch.device, solver: Solver, analysis: Analysis):
        """Make one.

        Args:
            grade: how much work a picture gets.
            device: where it works.
            solver: cuts windows of frames.
            analysis: what frames are analysed by.
        """
        self.fineness = 1.0
        self.mask: Mask | None = None
        self.core: Core | None = None
        self._grade, self._device = grade, device
        self._solver, self._analysis = solver, analysis

    def __call__(
        self, frame: Upright, known: Known, placement: Placing, size: tuple[int, int]
    ) -> Placed:
        """Key a frame and scale its subject to a picture.

        Args:
            frame: the frame.
            known: what it tells.
            placement: where it lies.
            size: (H, W) of the picture.
        """
        figure = None
        if not isinstance(placement, Placement):
            figure = self.figure(frame, known)
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
        if self.mask is not None:
            strokes = resize(self.mask.strokes[..., rows, columns], extent)
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

        spans = spans_in(laid_size, part, size, laid_at)
        final = self._grade is Grade.FINAL
        if spans is None:
            return nobody
        no_smaller = all(got >= have for got, have in zip(spans[0], laid_size, strict=True))
        if self.core is not None and strokes is None and no_smaller and self.core.covers(known):
            everything = slice(0, down.stop - down.start)
            shown = linear(everything) if shrink < 1 else self.core.shown(frame, *window)
            held, at = self.core.cut(shown, known, full, *window, shrink), inner
            if extent != laid_size:
                around = _grown(laid_at[0], laid_size[0]), _grown(laid_at[1], laid_size[1])
                held = self.core.place(held, at, extent, laid_size, False, around).whole()
                at = around
            rows, columns = spans[2]
            scaled = self.core.place(
                held, at, laid_size, spans[0], part.mirror, spans[1], rows.start
            )
            return replace(nobody, subject=scaled, rows=rows, columns=columns)
        banded = Banded(self._solver, linear, known, full, *window, shrink, strokes)
        pieces = banded.pieces(self._grade)
        # A frame that is enlarged stays as it is until its rows are laid.
        grows = extent == laid_size and all(
            got > have for got, have in zip(spans[0], extent, strict=True)
        )
        if final and grows and self._device.type == "cpu":
            held = torch.empty(1, 4, down.stop - down.start, across.stop - across.start)
            for band, alpha, fg in pieces:
                torch.mul(fg, alpha, out=held[:, 0:3, band])
                held[:, 3:4, band] = alpha
            enlarged = Enlarged(held, inner, extent, spans[0], part, *spans[2])
            return replace(nobody, subject=enlarged, rows=spans[2][0], columns=spans[2][1])
        whole = torch.zeros(1, 4, *extent, device=self._device)
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
        for band in bands(rows, left.shape[-1], self._device):
            here = moved(band, -rows.start)
            faded = shadow.faded(dark[..., here, :], band, columns, placement, frame.size, size)
            torch.sub(1, faded, out=left[..., here, :])
        return Shade(left, rows, columns)

    def figure(self, frame: Upright, known: Known) -> Figure | None:
        """Where the subject stands in a frame, by a small matte; None where nobody is.

        Args:
            frame: the frame.
            known: what it tells.
        """
        if known.bare is None:
            return None
        # Live the analysis' own size will do: the placement follows more coarsely than that.
        coarsest = self._analysis.factor(frame.size)
        factor = max(1, round(max(frame.size) / SIDE))
        factor = coarsest if self._grade is Grade.LIVE else factor
        small = self._analysis.steps.reduced(frame, factor)
        size = (small.shape[-2], small.shape[-1])
        inner = inside(known.where, 1 / factor, (0, 0), size)
        if inner is None:
            return None
        window = (Ellipsis, *inner)
        strokes = None if self.mask is None else resize(self.mask.strokes, size)
        painted = None if strokes is None else strokes[window]
        part = small[window].contiguous()
        # As where nothing but the figure is wanted, and live on a processor: not corrected.
        plain = replace(known, correction=None)
        cut = self._solver.cut(part, plain, size, *inner, 1 / factor, painted)
        alpha = small.new_zeros(1, 1, *size)
        alpha[window] = cut.alpha
        if cut.garbage is not None:
            # A wall beside the screen is no figure, unless somebody painted it as one.
            own = 1 - enlarge(cut.garbage, size)
            alpha *= own if strokes is None else torch.maximum(own, strokes[:, 0:1])
        return find_figure(alpha)


def _grown(part: slice, have: int) -> slice:
    """A span with two pixels more on both sides, as filters reach."""
    return slice(max(part.start - 2, 0), min(part.stop + 2, have))
