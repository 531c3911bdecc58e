"""What is wrong with a matte by itself: cut by the frame's border, holes, too much half seen.

None of these is wrong by itself (a portrait is cut at the hip, a hand on the hip makes a hole, a
veil is half-transparent): they are to be compared between frames of the same people.

Source of the closing: Serra, "Image Analysis and Mathematical Morphology", 1982 (from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

from torch import Tensor

from models.pyramid import grow, shrink

_REACH = 3
"""chosen: holes and gaps up to twice as many pixels wide are closed, in a matte of 160 a side."""
_NOBODY = 0.003
"""Less than this share of the frame is nobody, as in `models.figure`."""


@dataclass(frozen=True)
class Wholeness:
    """How whole a subject is in its matte.

    Attributes:
        coverage: the share of the frame that the subject covers.
        left: the share of the frame's left edge that the subject touches.
        right, top, bottom: likewise.
        holes: what a closing fills, as a share of the subject.
        thin: what is half-transparent, as a share of the subject.
    """

    coverage: float
    left: float
    right: float
    top: float
    bottom: float
    holes: float
    thin: float

    @property
    def somebody(self) -> bool:
        """Whether there is a subject at all."""
        return self.coverage >= _NOBODY


def wholeness(alpha: Tensor) -> Wholeness:
    """Measure a matte.

    Args:
        alpha: (1, 1, h, w) float in [0, 1], upright; at most a few hundred pixels a side.
    """
    solid = (alpha > 0.5).to(alpha.dtype)
    area = max(float(solid.sum()), 1.0)
    closed = shrink(grow(solid, _REACH), _REACH)
    # Along the frame's border a shrink sees no pixels beyond, so nothing is lost there.
    filled = float((closed - solid).clamp_min(0).sum())
    half = float((4 * alpha * (1 - alpha)).sum())
    return Wholeness(
        float(alpha.mean()),
        float(solid[..., :, 0].mean()),
        float(solid[..., :, -1].mean()),
        float(solid[..., 0, :].mean()),
        float(solid[..., -1, :].mean()),
        filled / area,
        half / area,
    )
