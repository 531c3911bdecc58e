"""Heads in a silhouette, by its width row by row: a head is as wide as it is high, stands on a
narrower neck, and shoulders follow.

A raised arm begins higher, but never gets as wide as a head before it meets the body, and what
narrows on it (a wrist) lies far from any shoulder. Of hats nothing is known here: a crown is the
top of a head.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import torch
from torch import Tensor
from torch.nn import functional

# *Common practice* in figure drawing: a head is somewhat higher than wide, shoulders are two to
# three head widths. Wide enough for hair, collars and a turned body.
_LEAST_ASPECT, _MOST_ASPECT = 0.8, 2.1
_SHOULDERS = 1.5
# chosen on drawn and rendered people: a neck is at most this share of the head's width, and ends
# within this many head heights in shoulders.
_NECK, _NECK_LENGTH = 0.88, 0.8
_TIP = 0.25
"""Narrower than this share of a head's width is hair or a finger on top of it."""
_STUB = 0.02
"""A tip that joins the rest within this share of the silhouette's height is its outline's noise."""
_FATTER = 1.3


@dataclass(frozen=True)
class Head:
    """A head in a silhouette, in rows.

    Attributes:
        top: its upper edge.
        height: down to where the neck begins; None where that is not to be told.
    """

    top: int
    height: int | None


class _Run(NamedTuple):
    """Pixels of one row that hang together."""

    row: int
    start: int
    stop: int

    @property
    def width(self) -> int:
        return self.stop - self.start

    def shared(self, other: _Run) -> int:
        """How many columns it has in common with another."""
        return min(self.stop, other.stop) - max(self.start, other.start)


def _runs(mask: Tensor) -> list[list[_Run]]:
    """The runs of every row, left to right."""
    edges = functional.pad(mask.to(torch.int8), (1, 1)).diff(dim=1)
    rows: list[list[_Run]] = [[] for _ in range(mask.shape[0])]
    starts, stops = (edges == 1).nonzero().tolist(), (edges == -1).nonzero().tolist()
    for (row, start), (_, stop) in zip(starts, stops, strict=True):
        rows[row].append(_Run(row, start, stop))
    return rows


def _columns(rows: list[list[_Run]], stub: float) -> list[list[_Run]]:
    """Each tip and what it stands on, row by row downwards; the highest tip first.

    Tips that are one with a higher one after ``stub`` rows are left out.
    """
    tops = [
        run
        for above, row in zip([[], *rows], rows, strict=False)
        for run in row
        if not any(run.shared(other) > 0 for other in above)
    ]
    under: dict[_Run, _Run | None] = {}
    out: list[list[_Run]] = []
    for top in tops:
        run: _Run | None = top
        own = 0
        while run is not None and run not in under:
            row = rows[run.row + 1] if run.row + 1 < len(rows) else []
            below = max(row, key=run.shared, default=None)
            under[run] = below if below is not None and below.shared(run) > 0 else None
            run = under[run]
            own += 1
        if own > stub or not out:
            column, run = [], top
            while run is not None:
                column.append(run)
                run = under[run]
            out.append(column)
    return out


def _head(widths: list[float], top: int) -> Head | None:
    """A head at the upper end of a column of widths, or None."""
    most, at = 0.0, 0
    neck = float("inf")
    for i, width in enumerate(widths):
        if neck > _NECK * most:
            if width > most:
                most, at, neck = width, i, float("inf")
                continue
            neck = min(neck, width)
            continue
        if width < _SHOULDERS * most:
            neck = min(neck, width)
            continue
        crown = next(j for j, w in enumerate(widths) if w >= _TIP * most)
        chin = next(j for j in range(at, i) if widths[j] <= max(neck * 1.05, neck + 1))
        height = chin - crown
        fits = _LEAST_ASPECT * most <= height <= _MOST_ASPECT * most
        near = i - chin <= _NECK_LENGTH * height + 2
        return Head(top + crown, height) if fits and near else None
    return None


def _fatness(column: list[_Run], tips: dict[_Run, int]) -> int:
    """How large a square fits into a tip before it joins another."""
    best = 0
    for depth, run in enumerate(column):
        if tips[run] > 1:
            break
        best = max(best, min(run.width, depth + 1))
    return best


def heads(mask: Tensor) -> list[Head]:
    """The heads of a silhouette.

    Args:
        mask: (h, w) bool, one silhouette or more, on the CPU.

    Returns:
        Every head whose neck is found, the left one first; else one whose height is None, at the
        top of what may be a head; none for an empty mask.
    """
    rows = _runs(mask)
    filled = [i for i, row in enumerate(rows) if row]
    if not filled:
        return []
    stub = _STUB * (filled[-1] - filled[0] + 1)
    columns = _columns(rows, stub)
    found: dict[int, tuple[int, Head]] = {}
    for column in columns:
        widths = [float(run.width) for run in column]
        padded = [widths[0], *widths, widths[-1]]
        smooth = [sum(padded[i : i + 3]) / 3 for i in range(len(widths))]
        head = _head(smooth, column[0].row)
        if head is not None and head.height is not None:
            # Hair makes several tips of one head; they end in one neck.
            neck = column[head.top + head.height - column[0].row]
            key = neck.row * mask.shape[1] + neck.start
            if key not in found or head.top < found[key][1].top:
                found[key] = neck.start, head
    if found:
        return [head for _, head in sorted(found.values(), key=lambda f: f[0])]
    tips: dict[_Run, int] = {}
    for column in columns:
        for run in column:
            tips[run] = tips.get(run, 0) + 1
    fat = [_fatness(column, tips) for column in columns]
    fattest = max(range(len(columns)), key=lambda i: fat[i])
    best = columns[fattest if fat[fattest] >= _FATTER * fat[0] else 0]
    return [Head(best[0].row, None)]
