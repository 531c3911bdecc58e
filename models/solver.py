"""A window of a frame cut by what the whole frame told: alpha, foreground, despill, strokes."""

from __future__ import annotations

import torch
from torch import Tensor

from models import mask, matte
from models.analysis import Grade, Known
from models.cut import Cut
from models.despill import despill, unmix
from models.edge import choke
from models.estimator import Estimator, trained
from models.features import look_up
from models.pyramid import enlarge_part
from models.settings import KeySettings
from models.window import bands


class Solver:
    """Cuts windows of frames.

    Attributes:
        network: estimates alpha; None: it is solved between the two colours alone, to compare.
    """

    def __init__(self, grade: Grade, settings: KeySettings, device: torch.device) -> None:
        self._grade, self._settings = grade, settings
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
        bare, subject = known.bare, known.subject
        if bare is None or subject is None:
            alpha, fg = torch.ones_like(shown[:, 0:1]), shown.clone()
            if strokes is not None:
                alpha, fg = mask.override(alpha, fg, shown, strokes)
            return Cut(alpha, fg, False, known.plate_fits)
        noise = known.noise * min(1.0, scale)
        asked = matte.ask(shown, bare, subject, noise, rows, columns, size)
        alpha, fg = self._estimate(shown, subject, asked, known.in_clip)
        if self._settings.choke:
            alpha, fg = choke(alpha, fg, self._settings.choke * scale)
        if strokes is not None:
            alpha, fg = mask.override(alpha, fg, shown, strokes)
        own_key = enlarge_part(subject.own_key, rows, columns, size)
        # chosen on rendered people: below a tenth it is the screen's light on hair and skin, which
        # reaches deep, and no colour of theirs.
        own_key = own_key * matte.step(own_key, 0.02, 0.12)
        amounts = self._settings.despill, self._settings.despill_luminance
        if self._grade is Grade.FINAL:
            for band in bands(slice(0, fg.shape[-2]), fg.shape[-1], fg.device):
                part, back = fg[:, :, band], asked.back[:, :, band]
                fg[:, :, band] = despill(part, back, own_key[:, :, band], bare.hue, *amounts)
        else:  # only what is seen: most of a live frame is screen
            seen = alpha.flatten().nonzero()[:, 0]
            some = [x.flatten(2).index_select(2, seen) for x in (fg, asked.back, own_key)]
            fg = torch.zeros_like(fg)
            fg.view(3, -1)[:, seen] = despill(some[0], some[1], some[2], bare.hue, *amounts)[0]
        return Cut(alpha, fg, True, known.plate_fits, garbage=bare.unsettled)

    def _estimate(
        self, shown: Tensor, subject: matte.Subject, asked: matte.Asked, in_clip: bool
    ) -> tuple[Tensor, Tensor]:
        """Alpha and unmixed foreground of a window."""
        own, behind = (
            x[0].flatten(1).index_select(1, asked.index)[None] for x in (shown, asked.back)
        )
        front = look_up(subject.color, asked.row, asked.column)[None]
        if self.network is None:
            found = matte.plain(own, behind, front, subject, asked)
        else:
            found = self.network.estimate(subject.told, asked.pixels, asked.row, asked.column)
            if self._grade is Grade.FINAL and not in_clip:
                # Of polished metal the network has seen little: there the two colours, which err
                # towards solid, have half a say. In clips that say would flicker.
                plain = matte.plain(own, behind, front, subject, asked)
                found = torch.maximum(found, (found + plain) / 2)
        black, white = self._settings.black_point, self._settings.white_point
        found = ((found - black) / (white - black)).clamp_(0, 1)
        alpha, fg = asked.solid.to(shown.dtype), shown.clone()
        alpha.view(-1)[asked.index] = found
        fg.view(3, -1)[:, asked.index] = unmix(own, found[None, None], behind, front)[0]
        return alpha, fg
