"""A window of a frame cut by what the whole frame told: alpha, foreground, despill, strokes."""

from __future__ import annotations

import math

import torch
from torch import Tensor

from models import mask, matte
from models.analysis import Grade, Known
from models.correction import followed
from models.cut import Cut
from models.despill import despill, owned, unmix
from models.edge import choke
from models.estimator import Estimator, trained
from models.features import gathered, look_up
from models.pyramid import enlarge_part
from models.settings import KeySettings
from models.window import bands


class Solver:
    """Cuts windows of frames.

    Attributes:
        device: where it works.
        network: estimates alpha; None: it is solved between the two colours alone, to compare.
    """

    def __init__(self, grade: Grade, settings: KeySettings, device: torch.device) -> None:
        self._grade, self._settings, self.device = grade, settings, device
        self.network: Estimator | None = trained(grade.value, device)

    def cut(
        self,
        shown: Tensor,
        known: Known,
        size: tuple[int, int],
        rows: slice,
        columns: slice,
        scale: float,
        strokes: Tensor | None,
    ) -> Cut:
        """Cut a window of a frame by what the whole frame told.

        Args:
            shown: (1, 3, rows, columns) float, the window; linear Rec.709.
            known: of the whole frame.
            size: (H, W) of the whole at the window's scale.
            rows: of the window in the whole.
            columns: likewise.
            scale: that scale: pixels of the window for one of the frame, at most 1.
            strokes: (1, 2, rows, columns) painted by hand over the window, or None.
        """
        alpha, fg, back = self.estimated(shown, known, size, rows, columns, scale)
        alpha, fg = self.choked(alpha, fg, known, scale)
        return self.finished(alpha, fg, back, shown, known, size, rows, columns, strokes)

    def estimated(
        self,
        shown: Tensor,
        known: Known,
        size: tuple[int, int],
        rows: slice,
        columns: slice,
        scale: float,
    ) -> tuple[Tensor, Tensor, Tensor]:
        """What is in a window by itself, before edge, strokes and spill.

        Args:
            shown, known, size, rows, columns, scale: as in `cut`.

        Returns:
            Alpha, the unmixed foreground, and the bare screen; all subject where there is none.
        """
        if known.bare is None or known.subject is None:
            return torch.ones_like(shown[:, 0:1]), shown.clone(), shown
        noise = known.noise * min(1.0, scale)
        asked = matte.ask(shown, known.bare, known.subject, noise, rows, columns, size)
        alpha, fg = self._estimate(shown, known, known.subject, asked)
        correction = None if self.network is None else known.correction
        if correction is not None and correction.blurred is not None:
            blurred = enlarge_part(correction.blurred, rows, columns, size)
            self._see_through(alpha, fg, blurred)
        return alpha, fg, asked.back

    def choked(
        self, alpha: Tensor, fg: Tensor, known: Known, scale: float
    ) -> tuple[Tensor, Tensor]:
        """The edge moved as a person wants it; what came where nothing is to be moved."""
        if not self._settings.choke or known.bare is None:
            return alpha, fg
        return choke(alpha, fg, self._settings.choke * scale)

    def reach(self, scale: float) -> int | None:
        """How many pixels around a pixel its cut hangs on; None: on the whole window."""
        moved = self._settings.choke * scale
        return None if moved < 0 else 1 + math.ceil(moved)

    def finished(
        self,
        alpha: Tensor,
        fg: Tensor,
        back: Tensor | None,
        shown: Tensor,
        known: Known,
        size: tuple[int, int],
        rows: slice,
        columns: slice,
        strokes: Tensor | None,
    ) -> Cut:
        """Strokes and despill on what `estimated` gave.

        Args:
            alpha: (1, 1, rows, columns) float.
            fg: (1, 3, rows, columns) float, linear Rec.709, straight; it is written to.
            back: same shape, the bare screen; None: it is made once more.
            shown, known, size, rows, columns, strokes: as in `cut`.
        """
        bare, subject = known.bare, known.subject
        if strokes is not None:
            alpha, fg = mask.override(alpha, fg, shown, strokes)
        if bare is None or subject is None:
            return Cut(alpha, fg, False, known.plate_fits)
        if back is None:
            back = enlarge_part(bare.color, rows, columns, size)
        own_key = owned(enlarge_part(subject.own_key, rows, columns, size))
        amounts = self._settings.despill, self._settings.despill_luminance
        if self._grade is Grade.FINAL:
            for band in bands(slice(0, fg.shape[-2]), fg.shape[-1], fg.device):
                part = fg[:, :, band], back[:, :, band], own_key[:, :, band]
                fg[:, :, band] = despill(*part, bare.hue, *amounts)
        else:  # only what is seen: most of a live frame is screen
            seen = alpha.flatten().nonzero()[:, 0]
            some = [x.flatten(2).index_select(2, seen) for x in (fg, back, own_key)]
            fg = torch.zeros_like(fg)
            fg.view(3, -1)[:, seen] = despill(some[0], some[1], some[2], bare.hue, *amounts)[0]
        return Cut(alpha, fg, True, known.plate_fits, garbage=bare.unsettled)

    def _estimate(
        self, shown: Tensor, known: Known, subject: matte.Subject, asked: matte.Asked
    ) -> tuple[Tensor, Tensor]:
        """Alpha and unmixed foreground of a window."""
        own, behind = gathered(asked.index, shown, asked.back)
        front = look_up(subject.color, asked.row, asked.column)[None]
        if self.network is None:
            found = matte.plain(own, behind, front, subject, asked)
        else:
            said = found = self.network.estimate(
                subject.told, asked.pixels, asked.row, asked.column
            )
            if self._grade is Grade.FINAL and not known.alone:
                # Of polished metal the network has seen little: there the two colours, which err
                # towards solid, have half a say. In clips of halved chroma that costs: on hair that
                # turns, 6 % of SAD and 3 % of dtSSD (at full chroma it gains).
                plain = matte.plain(own, behind, front, subject, asked)
                found = torch.maximum(found, (found + plain) / 2)
            if known.correction is not None:
                found = followed(found, said, known.correction, asked.row, asked.column)
        found = self._stretched(found)
        alpha, fg = asked.solid.to(shown.dtype), shown.clone()
        alpha.view(-1)[asked.index] = found
        fg.view(3, -1)[:, asked.index] = unmix(own, found[None, None], behind, front)[0]
        return alpha, fg

    def _stretched(self, alpha: Tensor) -> Tensor:
        black, white = self._settings.black_point, self._settings.white_point
        return ((alpha - black) / (white - black)).clamp_(0, 1)

    def _see_through(self, alpha: Tensor, fg: Tensor, blurred: Tensor) -> None:
        """What is blurred and passed for solid gets the alpha and colour that it has, in place.

        Args:
            alpha, fg: as `_estimate` gave them; written to.
            blurred: (1, 5, rows, columns), as `blurred_solid` says.
        """
        sure = blurred[:, 0:1] * (alpha > 0)
        alpha.lerp_(self._stretched(blurred[:, 1:2]), sure)
        fg.lerp_(blurred[:, 2:], sure)
