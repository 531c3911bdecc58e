"""The clean plate: cleared of what stands in it and of its noise, and told from another screen's.

Source of the noise's removal: Lee, "Digital Image Enhancement and Noise Filtering by Use of Local
Statistics", IEEE PAMI 2 (1980): detail is kept as far as the local variance is above the noise's.
"""

from __future__ import annotations

from dataclasses import dataclass

import torch
from torch import Tensor

from models.errors import ShapeError
from models.field import fit
from models.pyramid import enlarge, grow, pool, soften
from models.screen import Hue, saturation, strength

PURE = 0.85
"""A saturation below this share of the screen's own is not screen."""
MISFIT_STOPS = 0.35
"""chosen: a plate moved by a few pixels or brighter by .15 stop stays under .05 on rendered
scenes; a plate of another screen or a turned one lies above .4."""


@dataclass(frozen=True)
class Plate:
    """A clean plate at analysis size.

    Attributes:
        shown: (1, 3, h, w) linear Rec.709, as it was taken, a little softened.
        color: same shape, the screen's colour everywhere, what stands before it taken out.
        other: (1, 1, h, w) in [0, 1], what is not screen in it: somebody, stands, walls, marks.
    """

    shown: Tensor
    color: Tensor
    other: Tensor

    @property
    def occupied(self) -> float:
        """The share of it, 0 to 1, that is not screen."""
        return float(self.other.mean())


def read_plate(taken: Tensor, found: tuple[Hue, Tensor] | None) -> Plate:
    """Take out of a clean plate what is not screen, and its noise.

    Args:
        taken: (1, 3, h, w) float, linear Rec.709.
        found: the screen's hue and its middle colour, (1, 3, 1, 1), in the plate; None: there is
            none to be seen.

    Returns:
        The plate. Where it is not screen it has the screen's spread colour.
    """
    shown = soften(soften(taken))
    if found is None:
        return Plate(shown, shown, torch.ones_like(shown[:, 0:1]))
    hue, color = found
    alone = fit(taken, color, hue, from_plate=False)
    # By saturation, not by level: folds and hot spots are the screen's own and stay.
    pure = saturation(shown, hue) / saturation(alone.color, hue).clamp_min(0.05)
    other = (soften(pure) < PURE).to(shown.dtype)
    kept = _without_noise(taken, shown, alone.smooth, other)
    return Plate(shown, torch.lerp(kept, alone.smooth, soften(grow(other, 2))), other)


def _without_noise(taken: Tensor, shown: Tensor, smooth: Tensor, other: Tensor) -> Tensor:
    """Keep of a plate's detail what stands above its noise."""
    level = smooth.clamp_min(1e-3)
    known = (1 - other).clamp_min(1e-3)
    wide, fine = (shown / level).clamp(0, 4) - 1, ((taken - shown) / level).clamp(-4, 4)
    # The least of the channels: a fold shades all of them alike, noise does not.
    deviation = 1.4826 * fine.abs().amin(1, keepdim=True).median()
    kept = torch.zeros_like(smooth)
    # Two softenings leave a thirteenth of a single pixel's variance, and take four fifths of it
    # off the pixel itself.
    for detail, share in ((wide, 0.0748 / 0.7936), (fine, 1.0)):
        local = pool(detail.square().amin(1, keepdim=True) * known, 4) / pool(known, 4)
        # chosen: three times the variance, since noise scatters and coded noise is coarse.
        keep = (1 - 3 * share * deviation.square() / local.clamp_min(1e-12)).clamp(0, 1)
        kept = kept + detail * enlarge(grow(keep, 1), (shown.shape[-2], shown.shape[-1]))
    return smooth * (1 + kept).clamp_min(0)


def require_same_size(plate: tuple[int, int], frame: tuple[int, int]) -> None:
    """Refuse a plate of another size than the frame's.

    Args:
        plate: (height, width) in pixels, upright.
        frame: likewise.

    Raises:
        ShapeError: they differ.
    """
    if plate != frame:
        raise ShapeError(
            f"clean plate: it is {plate[1]}x{plate[0]} and the frame is {frame[1]}x{frame[0]} "
            "(width x height, upright); take a new plate with this camera standing as it does now"
        )


def plate_misfit(rgb: Tensor, plate: Tensor, hue: Hue) -> float:
    """How far a clean plate is from the frame's screen, apart from one common gain.

    Args:
        rgb: (1, 3, h, w) float, linear Rec.709, the frame.
        plate: same shape, the clean plate.
        hue: the screen's channel.

    Returns:
        The middle deviation of the plate's level over what looks like screen, in stops.
    """
    frame, bare = pool(rgb, 8), pool(plate, 8)
    strong = strength(frame, hue)
    like = (strong > 0.4 * torch.quantile(strong, 0.95))[0, 0]
    key = hue.value
    stops = torch.log2(frame[0, key].clamp_min(1e-4) / bare[0, key].clamp_min(1e-4))[like]
    hues = (saturation(frame, hue) - saturation(bare, hue))[0, 0][like].abs()
    # A plate of another hue may have the right level by chance; a tenth of saturation is as bad
    # as a fifth of a stop.
    return float((stops - stops.median()).abs().median() + 2 * hues.median())
