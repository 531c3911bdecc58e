"""A window of a frame cut in bands of rows: its cut takes little memory beside what comes out.

What the whole frame tells is small and shared by all bands. A pixel's alpha hangs on its own
neighbours and, where the edge is moved inward, on those within that reach, so that each band is cut
with so many rows more on both sides and is the same as in one piece, within the rounding of the
network's sums. An edge moved outward takes its colour from afar: there matte and foreground of the
whole window are held while it is moved.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator

import torch
from torch import Tensor

from models.analysis import Grade, Known
from models.solver import Solver
from models.window import bands, moved

# chosen: what is held of each pixel that the network is asked about comes to 300 bytes, at worst
# all of a band; the rows that two bands share are then half a percent of a 24 megapixel frame.
CUT_PIXELS = 2 << 20

Shown = Callable[[slice], Tensor]
"""Rows of a window, counted from its own first: (1, 3, rows, columns), linear Rec.709."""
Piece = tuple[slice, Tensor, Tensor]
"""Rows of a window; alpha (1, 1, rows, columns) and straight foreground (1, 3, rows, columns)."""


def cut_in_bands(
    solver: Solver,
    grade: Grade,
    shown: Shown,
    known: Known,
    size: tuple[int, int],
    rows: slice,
    columns: slice,
    scale: float,
    strokes: Tensor | None,
) -> Iterator[Piece]:
    """Cut a window of a frame, band by band; in one piece live and on a GPU.

    Args:
        solver: cuts the bands.
        grade: live frames are small.
        shown: gives rows of the window.
        known, size, rows, columns, scale, strokes: as in `Solver.cut`.

    Yields:
        The pieces of the window from above to below; the last holds its last row.
    """
    height, width = rows.stop - rows.start, columns.stop - columns.start
    device = solver.device
    reach = solver.reach(scale)
    if grade is Grade.LIVE or device.type != "cpu":
        cut = solver.cut(shown(slice(0, height)), known, size, rows, columns, scale, strokes)
        yield slice(0, height), cut.alpha, cut.fg
        return
    if reach is None:
        yield from _moved_outward(solver, shown, known, size, rows, columns, scale, strokes)
        return
    for band in bands(slice(0, height), width, device, CUT_PIXELS):
        near = slice(max(band.start - reach, 0), min(band.stop + reach, height))
        painted = None if strokes is None else strokes[..., near, :]
        there = moved(near, rows.start)
        cut = solver.cut(shown(near).contiguous(), known, size, there, columns, scale, painted)
        own = moved(band, -near.start)
        yield band, cut.alpha[..., own, :], cut.fg[..., own, :]


def _moved_outward(
    solver: Solver,
    shown: Shown,
    known: Known,
    size: tuple[int, int],
    rows: slice,
    columns: slice,
    scale: float,
    strokes: Tensor | None,
) -> Iterator[Piece]:
    """The same where the edge is moved outward; see the module."""
    height, width = rows.stop - rows.start, columns.stop - columns.start
    device = solver.device
    alpha = torch.empty(1, 1, height, width, device=device)
    fg = torch.empty(1, 3, height, width, device=device)
    for band in bands(slice(0, height), width, device, CUT_PIXELS):
        near = slice(max(band.start - 1, 0), min(band.stop + 1, height))
        part = shown(near).contiguous()
        found = solver.estimated(part, known, size, moved(near, rows.start), columns, scale)
        own = moved(band, -near.start)
        alpha[..., band, :], fg[..., band, :] = found[0][..., own, :], found[1][..., own, :]
    alpha, fg = solver.choked(alpha, fg, known, scale)
    for band in bands(slice(0, height), width, device, CUT_PIXELS):
        painted = None if strokes is None else strokes[..., band, :]
        part = shown(band).contiguous()
        there = moved(band, rows.start)
        cut = solver.finished(
            alpha[..., band, :],
            fg[..., band, :].contiguous(),
            None,
            part,
            known,
            size,
            there,
            columns,
            painted,
        )
        yield band, cut.alpha, cut.fg
