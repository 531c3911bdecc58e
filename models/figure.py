"""The figure in a small matte: where the subject stands in its frame, its head and its feet.

Lines are shares of the upright frame, so that they hold at every size of it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from statistics import mean, median

import torch
from torch import Tensor

from models.errors import ShapeError
from models.pyramid import grow
from models.silhouette import Head, heads

SIDE = 480
"""chosen: longest side of the matte that a figure is looked for in. A line is right to a pixel of
it, which is .002 of the frame: 1 mm on a print of 500 mm."""
_COARSE = 120
"""chosen: longest side of the grid on which parts hang together: a gap of a square parts nothing.
"""
_NOBODY = 0.003
"""chosen: less than this share of the frame is nobody."""
# chosen on rendered people with props and on mattes with dirt.
_PERSON = 0.08
"""A part of at least this share of the largest counts wherever it is: another person, a child."""
_PROP = 0.003
"""A part of at least this share of the largest counts near it: a balloon, a ball, a hand."""
_NEAR = 0.2
"""Near: within this share of the longer side of what counts already."""
_MOST_PARTS = 64
"""More parts than people and their props have are dirt."""
_EVEN_HEADS = 1.6
"""Heads of one picture that differ more than this are not all heads."""


@dataclass(frozen=True)
class Figure:
    """Where the subject stands, all of it together, in shares of the upright frame.

    Attributes:
        left: of the frame's width, 0 at its left edge.
        right: likewise.
        top: of the frame's height, 0 at its upper edge.
        bottom: likewise.
        centre: the upright line with half of the subject on each side, of the width.
        head: the top of the highest head, which a raised arm may rise above; None where the frame
            cuts it off.
        head_height: from there to where the neck begins, of the frame's height; of several heads
            the mean; None where it is not to be told.
        feet: the lowest line of the people; None where the frame cuts them off.
    """

    left: float
    right: float
    top: float
    bottom: float
    centre: float
    head: float | None
    head_height: float | None
    feet: float | None


def _sums(x: Tensor, factor: int) -> Tensor:
    """Sums over squares; the last ones are filled up with nothing."""
    height, width = x.shape
    down, across = -(-height // factor), -(-width // factor)
    padded = x.new_zeros(down * factor, across * factor)
    padded[:height, :width] = x
    return padded.view(down, factor, across, factor).sum((1, 3))


def _parts(area: Tensor) -> list[tuple[float, Tensor]]:
    """What hangs together on a coarse grid, the largest first: its area, and its squares.

    Args:
        area: (h, w) float, covered pixels a square.
    """
    mask = (area > 0).float()[None, None]
    # Every square takes the largest number around it until none changes.
    label = torch.arange(1.0, area.numel() + 1).view_as(mask) * mask
    while not torch.equal(wider := grow(label, 1) * mask, label):
        label = wider
    sums = torch.zeros(area.numel() + 1, dtype=torch.float64)
    sums.index_add_(0, label.flatten().long(), area.flatten().double())
    order = torch.argsort(sums, descending=True, stable=True)[:_MOST_PARTS].tolist()
    return [(float(sums[i]), label == i) for i in order if i and sums[i] > 0]


def _span(mask: Tensor, axis: int) -> tuple[int, int]:
    seen = mask.any(axis).nonzero().flatten()
    return int(seen[0]), int(seen[-1]) + 1


def _kept(parts: list[tuple[float, Tensor]]) -> tuple[list[Tensor], Tensor]:
    """The parts that are people, and all that counts, props near them included."""
    largest = parts[0][0]
    people = [part for area, part in parts if area >= _PERSON * largest]
    counts = torch.stack(people).any(0)
    rest = [part for area, part in parts[len(people) :] if area >= _PROP * largest]
    if rest:
        spans = [_span(counts[0, 0], axis) for axis in (0, 1)]
        reach = max(1, round(_NEAR * max(stop - start for start, stop in spans)))
        near = grow(counts.float(), reach) > 0
        for part in rest:
            if bool((part & near).any()):
                counts = counts | part
    return people, counts


def _heads(people: list[Tensor], solid: Tensor, factor: int) -> list[Head]:
    found: list[Head] = []
    for person in people:
        found += heads(solid & _fine(person, solid, factor))
    sure = [head for head in found if head.height is not None]
    return sure or found


def _fine(part: Tensor, like: Tensor, factor: int) -> Tensor:
    """A coarse part pixel by pixel."""
    wide = part[0, 0].repeat_interleave(factor, 0).repeat_interleave(factor, 1)
    return wide[: like.shape[0], : like.shape[1]]


def find_figure(alpha: Tensor) -> Figure | None:
    """Find the subject, without stray specks.

    Args:
        alpha: (1, 1, h, w) float, the matte of a whole upright frame, in [0, 1]; at most a few
            hundred pixels a side (`SIDE` is enough).

    Returns:
        Where it stands; None where nobody does.

    Raises:
        ShapeError: ``alpha`` is not one matte.
    """
    if alpha.ndim != 4 or alpha.shape[:2] != (1, 1):
        raise ShapeError(f"find_figure: got a matte of {tuple(alpha.shape)}; need (1, 1, h, w)")
    # Small, and looked at row by row: on a GPU every row would be a question across the bus.
    matte = alpha[0, 0].float().cpu()
    solid = matte > 0.5
    height, width = solid.shape
    factor = max(1, -(-max(height, width) // _COARSE))
    parts = _parts(_sums(solid.float(), factor))
    if not parts or parts[0][0] < _NOBODY * height * width:
        return None
    people, counts = _kept(parts)
    kept = solid & _fine(counts, solid, factor)
    (left, right), (top, bottom) = _span(kept, 0), _span(kept, 1)
    standing = solid & _fine(torch.stack(people).any(0), solid, factor)
    feet = _span(standing, 1)[1]
    columns = standing.sum(0).cumsum(0).double()
    half = float(columns[-1]) / 2
    at = int((columns < half).sum())
    before = float(columns[at - 1]) if at else 0.0
    centre = at + (half - before) / max(float(columns[at]) - before, 1.0)
    found = _heads(people, solid, factor)
    first = min(head.top for head in found)
    high = [head.height for head in found if head.height is not None and head.top > 0]
    even = bool(high) and max(high) <= _EVEN_HEADS * min(high)
    return Figure(
        left / width,
        right / width,
        top / height,
        bottom / height,
        centre / width,
        None if first == 0 else first / height,
        mean(high) / height if even and first > 0 else None,
        None if feet == height else feet / height,
    )


def usual_figure(figures: Sequence[Figure | None]) -> Figure | None:
    """One figure for a whole clip: the median of each line, so that nothing jumps from frame to
    frame, and one raised arm or one wrong frame moves nothing.

    Args:
        figures: of several of its frames; None where nobody was.

    Returns:
        None where nobody was in any. A head or feet that fewer than half of the others tell are
        not told.
    """
    seen = [figure for figure in figures if figure is not None]
    if not seen:
        return None

    def line(name: str) -> float:
        values: list[float] = [getattr(figure, name) for figure in seen]
        return median(values)

    def told(name: str) -> float | None:
        values = [v for v in (getattr(figure, name) for figure in seen) if v is not None]
        return median(values) if 2 * len(values) >= len(seen) else None

    return Figure(
        line("left"), line("right"), line("top"), line("bottom"), line("centre"),
        told("head"), told("head_height"), told("feet"),
    )  # fmt: skip
