"""How sharp a subject is, inside its own matte, and in which direction a blur runs.

The measure is the energy of second differences along four directions (the modified Laplacian with
diagonals), averaged over the subject: Pertuz, Puig, Garcia, "Analysis of focus measure operators
for shape-from-focus", Pattern Recognition 46, 2013 (the Laplacian's family, which did best there);
Thelen, Frey, Hirsch, Hering, "Improvements in Shape-From-Focus for Holographic Reconstructions",
IEEE Transactions on Image Processing 18, 2009 (the diagonals). It is divided by the subject's mean
luma squared, so that brightness does not count, and averaged, so that size does not. What the bare
screen, which is smooth, shows of the same energy is noise, and is taken off.

A movement takes detail away along its own direction and leaves that across it; a lens out of focus
takes it away in all directions (Zhang, He, Li, "Motion Blurring Direction Identification Based on
Second-Order Difference Spectrum", CCTA 2010, doi 10.1007/978-3-642-18336-2_12, find the direction
by second differences, too). So two frames of one subject are compared by direction.
"""

from __future__ import annotations

from dataclasses import dataclass

import torch
from torch import Tensor
from torch.nn import functional

from models.color import LUMA_WEIGHTS, Matrix, levels, turn
from models.errors import ShapeError
from models.planes import unturned
from models.pyramid import pool, shrink
from models.transfer import Transfer
from models.upright import Upright

WORKING_SIDE = 1920
"""chosen: a frame whose longer side has more pixels is pooled first: what is finer is the noise and
the lens of a still camera, and is in no print of the usual sizes."""
_LEAST_SQUARES = 4.0
"""Fewer squares of a matte than these say nothing."""
_SOLID = 0.95
_OFFSET = {Transfer.LINEAR: 0.0, Transfer.SRGB: 0.055, Transfer.BT709: 0.099}
"""What makes a curve a power of light, but for its foot (IEC 61966-2-1; ITU-R BT.709-6): then a
gain of light is one factor for all codes."""
_SCREEN = 0.02


@dataclass(frozen=True)
class Detail:
    """The energy of second differences, square by square of a small picture.

    Attributes:
        energy: (1, 4, h, w) float: along rows, along columns, along the two diagonals (falling,
            rising), of the upright frame; luma in [0, 1].
        luma: (1, 1, h, w) float, mean luma of the same squares, encoded, in [0, 1].
        inside: (1, 1, h, w) float in [0, 1], where there is subject and nothing else near.
        outside: same shape, where there is bare screen and nothing else near.
        offset: what, added to luma, makes it a power of light.
    """

    energy: Tensor
    luma: Tensor
    inside: Tensor
    outside: Tensor
    offset: float


def _luma(frame: Upright, rows: slice, columns: slice) -> Tensor:
    """Encoded luma of a window of the planes as they lie: (1, 1, rows, columns), in [0, 1]."""
    offset, span, _, _ = levels(frame.encoding)
    if frame.encoding.matrix is Matrix.RGB:
        kr, kb = LUMA_WEIGHTS[Matrix.BT709]
        red, green, blue = (p[rows, columns].to(torch.float32) for p in frame.planes)
        out = red.mul_(kr).add_(green, alpha=1 - kr - kb).add_(blue, alpha=kb)
    else:
        out = frame.planes[0][rows, columns].to(torch.float32)
    return out.sub_(offset).mul_(1 / span)[None, None]


def _energies(luma: Tensor) -> Tensor:
    """Squared second differences along rows, columns and both diagonals: (1, 4, H - 2, W - 2)."""
    middle = luma[..., 1:-1, 1:-1]
    pairs = (
        (luma[..., 1:-1, :-2], luma[..., 1:-1, 2:]),
        (luma[..., :-2, 1:-1], luma[..., 2:, 1:-1]),
        (luma[..., :-2, :-2], luma[..., 2:, 2:]),
        (luma[..., 2:, :-2], luma[..., :-2, 2:]),
    )
    out = torch.empty(1, 4, *middle.shape[-2:])
    for n, (before, after) in enumerate(pairs):
        part = out[:, n : n + 1]
        torch.add(before, after, out=part)
        part.sub_(middle, alpha=2).square_()
    return out


def detail(frame: Upright, alpha: Tensor, factor: int) -> Detail:
    """Measure the detail of a frame where its subject stands.

    Args:
        frame: at full size, on the CPU.
        alpha: (1, 1, h, w) float in [0, 1], the upright frame's matte, pooled by ``factor``.
        factor: pixels of the frame for one of the matte, each way.

    Returns:
        Energies in the matte's squares; nothing is inside where nobody is.

    Raises:
        ShapeError: the matte is not that of the frame.
    """
    want = (-(-frame.size[0] // factor), -(-frame.size[1] // factor))
    if alpha.shape != (1, 1, *want):
        raise ShapeError(f"detail: got a matte of {tuple(alpha.shape)}; need (1, 1, {want})")
    offset = _OFFSET[frame.encoding.transfer]
    inside = shrink((alpha > _SOLID).to(torch.float32), 1)
    outside = shrink((alpha < _SCREEN).to(torch.float32), 2)
    energy, luma = torch.zeros(1, 4, *want), torch.zeros(1, 1, *want)
    seen = (alpha[0, 0] > _SCREEN).nonzero()
    if not len(seen):
        return Detail(energy, luma, inside, outside, offset)
    # The window around the subject, a little wider for the screen's noise.
    low, high = seen.amin(0) - 6, seen.amax(0) + 7
    spans = [
        slice(max(first, 0), min(last, have))
        for first, last, have in zip(low.tolist(), high.tolist(), want, strict=True)
    ]
    within = [
        slice(s.start * factor, min(s.stop * factor, have))
        for s, have in zip(spans, frame.size, strict=True)
    ]
    rows, columns = unturned(within[0], within[1], frame.size, frame.quarter_turns)
    own = turn(_luma(frame, rows, columns), frame.quarter_turns).contiguous()
    first = max(1, -(-max(frame.size) // WORKING_SIDE))
    while factor % first:
        first -= 1
    own = pool(own, first)
    rest = factor // first
    found = functional.pad(_energies(own), (1, 1, 1, 1), mode="replicate")
    down, across = spans
    energy[..., down, across], luma[..., down, across] = pool(found, rest), pool(own, rest)
    return Detail(energy, luma, inside, outside, offset)


@dataclass(frozen=True)
class Sharpness:
    """How much fine detail a subject shows, for its brightness, by direction.

    Attributes:
        along: relative energies along rows, columns and the two diagonals.
    """

    along: tuple[float, float, float, float]

    @property
    def total(self) -> float:
        """All directions together; only to be compared with that of the same subject."""
        return sum(self.along) / len(self.along)

    def share_of(self, other: Sharpness) -> float:
        """The detail left of another frame's, as an amplitude: 1 is as sharp."""
        return float((self.total / max(other.total, 1e-12)) ** 0.5)

    def direction_of(self, other: Sharpness) -> float:
        """How much more is left of another frame's detail in one direction than in another.

        Returns:
            1 where all directions lost as much (out of focus), more where one lost most (moved).
        """
        left = [max(a, 1e-12) / max(b, 1e-12) for a, b in zip(self.along, other.along, strict=True)]
        # Each direction is held against the one across it: along a diagonal the next pixel is
        # farther away, so that any blur takes less there.
        pairs = ((left[0], left[1]), (left[2], left[3]))
        return float(max(max(p) / min(p) for p in pairs) ** 0.5)


def sharpness(found: Detail, where: Tensor | None = None) -> Sharpness | None:
    """How sharp a subject is.

    Args:
        found: what `detail` gave.
        where: (1, 1, h, w) float in [0, 1]: only there (a face); None: all of the subject.

    Returns:
        None where there is too little of it.
    """
    weight = found.inside if where is None else found.inside * where
    squares = float(weight.sum())
    if squares < _LEAST_SQUARES:
        return None
    mean = (found.energy * weight).sum((-2, -1))[0] / squares
    level = float((found.luma * weight).sum()) / squares
    # Squares whose energy was measured: outside of the window there is none.
    bare = found.outside * (found.luma > 0)
    many = float(bare.sum())
    if many >= _LEAST_SQUARES:
        noise = (found.energy * bare).sum((-2, -1))[0] / many
        # At least a hundredth stays, so that ratios of two mean something.
        mean = torch.maximum(mean - noise, 0.01 * mean)
    row, column, falling, rising = (mean / max(level + found.offset, 0.02) ** 2).tolist()
    return Sharpness((row, column, falling, rising))
