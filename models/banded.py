"""A window of a frame cut in bands of rows: its cut takes little memory beside what comes out.

What the whole frame tells is small and shared by all bands. A pixel's alpha hangs on its own
neighbours and, where the edge is moved inward, on those within that reach, so that each band is cut
with so many rows more on both sides and is the same as in one piece, within the rounding of the
network's sums. An edge moved outward takes its colour from afar: there matte and foreground of the
whole window are held while it is moved.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import torch
from torch import Tensor

from models.analysis import Grade, Known
from models.cut import Cut
from models.solver import Solver
from models.window import bands, moved

# chosen: what is held of each pixel that the network is asked about comes to 300 bytes, at worst
# all of a band; the rows that two bands share are then half a percent of a 24 megapixel frame.
CUT_PIXELS = 2 << 20

Shown = Callable[[slice], Tensor]
"""Rows of a window, counted from its own first: (1, 3, rows, columns), linear Rec.709."""
Piece = tuple[slice, Tensor, Tensor]
"""Rows of a window; alpha (1, 1, rows, columns) and straight foreground (1, 3, rows, columns)."""


@dataclass(frozen=True)
class Banded:
    """A window of a frame that is to be cut.

    Attributes:
        solver: cuts the bands.
        shown: gives rows of the window.
        known, size, rows, columns, scale, strokes: as in `Solver.cut`.
    """

    solver: Solver
    shown: Shown
    known: Known
    size: tuple[int, int]
    rows: slice
    columns: slice
    scale: float
    strokes: Tensor | None = None

    def pieces(self, grade: Grade) -> Iterator[Piece]:
        """Cut it, band by band; in one piece live and on a GPU.

        Args:
            grade: live frames are small.

        Yields:
            The pieces of the window from above to below; the last holds its last row.
        """
        height = self._height
        reach = self.solver.reach(self.scale)
        if grade is Grade.LIVE or self.solver.device.type != "cpu":
            whole = slice(0, height)
            cut = self._cut(whole, self.shown(whole))
            yield whole, cut.alpha, cut.fg
        elif reach is None:
            yield from self._moved_outward()
        else:
            for band in self._bands():
                near = slice(max(band.start - reach, 0), min(band.stop + reach, height))
                cut = self._cut(near, self.shown(near).contiguous())
                own = moved(band, -near.start)
                yield band, cut.alpha[..., own, :], cut.fg[..., own, :]

    @property
    def _height(self) -> int:
        height: int = self.rows.stop - self.rows.start
        return height

    def _bands(self) -> Iterator[slice]:
        width = self.columns.stop - self.columns.start
        yield from bands(slice(0, self._height), width, self.solver.device, CUT_PIXELS)

    def _painted(self, rows: slice) -> Tensor | None:
        return None if self.strokes is None else self.strokes[..., rows, :]

    def _cut(self, rows: slice, shown: Tensor) -> Cut:
        there, painted = moved(rows, self.rows.start), self._painted(rows)
        return self.solver.cut(
            shown, self.known, self.size, there, self.columns, self.scale, painted
        )

    def _moved_outward(self) -> Iterator[Piece]:
        """The pieces where the edge is moved outward; see the module."""
        solver, known, size, columns = self.solver, self.known, self.size, self.columns
        height, width = self._height, columns.stop - columns.start
        alpha = torch.empty(1, 1, height, width, device=solver.device)
        fg = torch.empty(1, 3, height, width, device=solver.device)
        for band in self._bands():
            near = slice(max(band.start - 1, 0), min(band.stop + 1, height))
            there = moved(near, self.rows.start)
            part = self.shown(near).contiguous()
            found = solver.estimated(part, known, size, there, columns, self.scale)
            own = moved(band, -near.start)
            alpha[..., band, :], fg[..., band, :] = found[0][..., own, :], found[1][..., own, :]
        alpha, fg = solver.choked(alpha, fg, known, self.scale)
        for band in self._bands():
            there, painted = moved(band, self.rows.start), self._painted(band)
            part = self.shown(band).contiguous()
            mine = alpha[..., band, :], fg[..., band, :].contiguous()
            cut = solver.finished(*mine, None, part, known, size, there, columns, painted)
            yield band, cut.alpha, cut.fg
