"""A picture enlarged row by row, when its rows are asked for.

An enlarged print has more pixels than its frame: what lies in the print is then kept at the frame's
size, and a strip of the print is made of the few rows that it shows.

Source of the cubic filter: Keys, "Cubic Convolution Interpolation for Digital Image Processing",
IEEE Transactions on Acoustics, Speech, and Signal Processing 29(6), 1981, with a = -3/4 as torch's
``interpolate`` has it.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Protocol

import torch
from torch import Tensor
from torch.nn import functional

from models.resample import Placement
from models.window import bands

_SHARP = -0.75
"""Keys' parameter a; torch's, so that a print enlarged in strips is the same picture."""

Spans = tuple[slice, slice]


def _weights(t: Tensor) -> list[Tensor]:
    """Keys' four weights at a part ``t`` of the way between the second and the third sample."""
    a = _SHARP

    def near(x: Tensor) -> Tensor:
        return ((a + 2) * x - (a + 3)) * x * x + 1

    def far(x: Tensor) -> Tensor:
        return ((a * x - 5 * a) * x + 8 * a) * x - 4 * a

    return [far(t + 1), near(t), near(1 - t), far(2 - t)]


class InRows(Protocol):
    """What gives a placed subject row by row."""

    def take(self, rows: slice) -> Tensor:
        """Rows of the picture, (1, C, rows, columns); a new tensor."""

    def whole(self) -> Tensor:
        """All of it."""


class Enlarged:
    """A part of a frame enlarged by a cubic filter and cut to a picture, as `scaled_part` does it.

    Rows come out the same whichever are asked for together. From torch's whole picture they differ
    by less than a two-thousandth of a step between two rows, by which it misplaces rows far down.

    Attributes:
        rows: of the picture, where it lies.
        columns: likewise.
    """

    def __init__(
        self, held: Tensor, at: Spans, extent: tuple[int, int], wanted: tuple[int, int],
        placement: Placement, rows: slice, columns: slice,
    ) -> None:  # fmt: skip
        """Prepare; nothing is enlarged yet.

        Args:
            held: (1, C, rows, columns) float, linear light, premultiplied: what of the part is not
                empty.
            at: where that lies in the part.
            extent: (H, W) of the part.
            wanted: (H, W) of the part once enlarged, larger each way.
            placement: of the part.
            rows, columns: what of the picture to fill.
        """
        self._held, self._at, self._extent, self._wanted = held, at, extent, wanted
        self._placement, self.rows, self.columns = placement, rows, columns

    @property
    def shape(self) -> tuple[int, int, int, int]:
        """(1, C, rows, columns) of all of it."""
        high, wide = self.rows.stop - self.rows.start, self.columns.stop - self.columns.start
        return 1, self._held.shape[1], high, wide

    def take(self, rows: slice) -> Tensor:
        """Rows of the picture.

        Args:
            rows: of the picture, within ``rows``.

        Returns:
            (1, C, rows, columns) float. A new tensor.
        """
        shape = (1, self._held.shape[1], rows.stop - rows.start, self.shape[3])
        out = self._held.new_empty(shape)
        top = round(self._placement.dy)
        for band in bands(rows, self.shape[3], self._held.device):
            inner = slice(band.start - rows.start, band.stop - rows.start)
            self._enlarge(band.start - top, band.stop - top, out[..., inner, :])
        return out

    def __iter__(self) -> Iterator[tuple[slice, Tensor]]:
        """All rows of the picture, in bands."""
        for band in bands(self.rows, self.shape[3], self._held.device):
            yield band, self.take(band)

    def whole(self) -> Tensor:
        """All of it: (1, C, rows, columns)."""
        return self.take(self.rows)

    def _enlarge(self, first: int, last: int, out: Tensor) -> None:
        """Fill ``out`` with rows of the enlarged part."""
        have, got = self._extent[0], self._wanted[0]
        # In whole numbers, so that a row is the same in every strip.
        part = (2 * torch.arange(first, last, device=out.device) + 1) * have - got
        at = torch.div(part, 2 * got, rounding_mode="floor")
        share = ((part - at * (2 * got)).to(out.dtype) / (2 * got))[:, None]
        low, high = int(at[0]) - 1, int(at[-1]) + 2
        low, high = max(low, 0), min(high, have - 1)
        narrow = self._across(low, high + 1)
        for k, weight in enumerate(_weights(share)):
            tap = narrow.index_select(-2, (at + (k - 1)).clamp_(low, high) - low)
            if k:
                out.addcmul_(tap, weight)
            else:
                torch.mul(tap, weight, out=out)

    def _across(self, first: int, last: int) -> Tensor:
        """Rows of the part enlarged in width alone, and cut to the picture's columns."""
        (down, across), width = self._at, self._extent[1]
        padded = self._held.new_zeros(1, self._held.shape[1], last - first, width)
        top, bottom = max(first, down.start), min(last, down.stop)
        if bottom > top:
            there = self._held[..., top - down.start : bottom - down.start, :]
            padded[..., top - first : bottom - first, across] = there
        shown = padded.flip(-1) if self._placement.mirror else padded
        size = (last - first, self._wanted[1])
        wide = functional.interpolate(shown, size, mode="bicubic", align_corners=False)
        left = self.columns.start - round(self._placement.dx)
        return wide[..., left : left + self.shape[3]]
