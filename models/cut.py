"""What the Keyer gives: a cut-out subject, one at its place, a finished picture."""

from __future__ import annotations

from dataclasses import dataclass, replace

from torch import Tensor

from models.enlarged import InRows
from models.errors import ShapeError
from models.figure import Figure
from models.resample import Placement


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
        subject: (1, 4, rows, columns) float32: linear Rec.709, premultiplied, and its alpha; where
            it is larger than in its frame, what gives its rows; None where nothing of a subject
            shows.
        rows: where it lies in the picture.
        columns: where it lies in the picture.
        screen_found: as in `Cut`.
        plate_fits: as in `Cut`.
        placement: where its frame was laid.
        figure: where the subject stands in the frame; None where nobody asked, or nobody is.
        shade: the subject's shadow; None where there is none, or shadows are removed.
    """

    subject: Tensor | InRows | None
    rows: slice
    columns: slice
    screen_found: bool
    plate_fits: bool | None
    placement: Placement
    figure: Figure | None = None
    shade: Shade | None = None

    @property
    def subject_pm(self) -> Tensor | None:
        """All of ``subject`` as one tensor; made anew each time where it is enlarged."""
        if self.subject is None or isinstance(self.subject, Tensor):
            return self.subject
        return self.subject.whole()

    @property
    def at_hand(self) -> Placed:
        """The same with its subject as one tensor."""
        return replace(self, subject=self.subject_pm)

    def faded(self, gain: float) -> Placed:
        """The same with less of it: its coverage and its shadow's times ``gain``, 0 to 1."""
        if gain >= 1:
            return self
        subject, shade = self.subject_pm, self.shade
        return replace(
            self,
            subject=None if subject is None else subject * gain,
            shade=None if shade is None else replace(shade, left=1 - (1 - shade.left) * gain),
        )

    def taken(self, rows: slice) -> Tensor:
        """Rows of the picture of its subject, within ``rows``: (1, 4, rows, columns)."""
        if self.subject is None:
            raise ShapeError("taken: got nobody; need a subject")
        if not isinstance(self.subject, Tensor):
            return self.subject.take(rows)
        return self.subject[..., rows.start - self.rows.start : rows.stop - self.rows.start, :]


@dataclass(frozen=True)
class Composite:
    """A finished picture.

    Attributes:
        picture: (H, W, 3), sRGB: uint8, or int32 where 16 bits were asked for.
        alpha: (1, 1, H, W) float32, coverage of the subjects in the picture.
        screen_found: as in `Cut`; False where any subject's frame shows none.
        plate_fits: as in `Cut`; False where any subject's plate was unfit.
    """

    picture: Tensor
    alpha: Tensor
    screen_found: bool
    plate_fits: bool | None

    @property
    def coverage(self) -> float:
        """The share of the picture that the subject covers, 0 to 1."""
        return float(self.alpha.mean())


@dataclass(frozen=True)
class Printed:
    """A finished picture for a file.

    Attributes:
        picture: (H, W, 3), sRGB: uint8, or uint16 where 16 bits were asked for.
        coverage: the share of it that the subjects cover, 0 to 1.
        screen_found, plate_fits: as in `Composite`.
    """

    picture: Tensor
    coverage: float
    screen_found: bool
    plate_fits: bool | None
