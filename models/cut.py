"""What the Keyer gives: a cut-out subject, one at its place, a finished picture."""

from __future__ import annotations

from dataclasses import dataclass

from torch import Tensor


@dataclass(frozen=True)
class Cut:
    """A subject cut out of its frame, upright.

    Attributes:
        alpha: (1, 1, H, W) float32, coverage.
        fg: (1, 3, H, W) float32, linear Rec.709, straight, despilled.
        screen_found: False where the frame shows no screen: then everything is subject.
        plate_fits: None without a plate; False where the plate is not of this screen, and the
            frame was keyed from itself alone.
        shadow: (1, 1, H, W) float32 in [0, 1]: the share of light that the subject's shadow leaves
            to what lies below it, linear; None where shadows are removed.
        garbage: (1, 1, h, w) float32 in [0, 1], smaller than the frame: what seems to lie outside
            the screen and was kept, since a subject may be in it; None where no screen is found.
    """

    alpha: Tensor
    fg: Tensor
    screen_found: bool
    plate_fits: bool | None
    shadow: Tensor | None = None
    garbage: Tensor | None = None


@dataclass(frozen=True)
class Shade:
    """A shadow at its place in a picture.

    Attributes:
        left: (1, 1, rows, columns) float32 in [0, 1], the share of light that it leaves, linear.
        rows: where it lies in the picture.
        columns: where it lies in the picture.
    """

    left: Tensor
    rows: slice
    columns: slice


@dataclass(frozen=True)
class Placed:
    """A keyed subject at its place in a picture.

    Attributes:
        subject_pm: (1, 4, rows, columns) float32: linear Rec.709, premultiplied, and its alpha;
            None where nothing of a subject shows.
        rows: where it lies in the picture.
        columns: where it lies in the picture.
        screen_found: as in `Cut`.
        plate_fits: as in `Cut`.
        shade: the subject's shadow; None where there is none, or shadows are removed.
    """

    subject_pm: Tensor | None
    rows: slice
    columns: slice
    screen_found: bool
    plate_fits: bool | None
    shade: Shade | None = None


@dataclass(frozen=True)
class Composite:
    """A finished picture.

    Attributes:
        picture: (H, W, 3) uint8, sRGB; int32 codes where 16 bits were asked for.
        alpha: (1, 1, H, W) float32, coverage of the subject in the picture.
        screen_found: as in `Cut`.
        plate_fits: as in `Cut`.
    """

    picture: Tensor
    alpha: Tensor
    screen_found: bool
    plate_fits: bool | None

    @property
    def coverage(self) -> float:
        """The share of the picture that the subject covers, 0 to 1."""
        return float(self.alpha.mean())
