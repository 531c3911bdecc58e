"""A frame on the device, upright, converted to linear light only where it is looked at."""

from __future__ import annotations

import math
from typing import Protocol

from torch import Tensor

from models.color import Encoding, Planes, planes_to_rgb, turn
from models.errors import ShapeError
from models.planes import crop, pooled_planes, sampled_planes, unturned
from models.resample import resize
from models.transfer import decode
from models.window import BAND_PIXELS, bands

_LARGE_PIXELS = 4 * BAND_PIXELS


class Reader(Protocol):
    """Reads windows of planes; `Upright` says what comes out."""

    def linear(self, rows: slice, columns: slice) -> Tensor:
        """As `Upright.linear`."""

    def scaled(
        self, rows: slice, columns: slice, size: tuple[int, int], wanted: tuple[slice, slice]
    ) -> Tensor:
        """As `Upright.scaled`."""


class Upright:
    """A frame on the device, converted only where it is looked at."""

    def __init__(
        self,
        planes: Planes,
        encoding: Encoding,
        quarter_turns: int,
        reader: Reader | None = None,
    ) -> None:
        """Take planes over.

        Args:
            planes, encoding, quarter_turns: as in `models.keyer.Keyer.cut`.
            reader: reads windows of them in place of torch.
        """
        self.reader = reader
        self.planes, self.encoding, self.quarter_turns = planes, encoding, quarter_turns % 4
        height, width = planes[0].shape
        self.size = (width, height) if self.quarter_turns % 2 else (height, width)

    def linear(self, rows: slice, columns: slice) -> Tensor:
        """A window at full size: (1, 3, rows, columns), linear Rec.709."""
        if self.reader is not None:
            return self.reader.linear(rows, columns)
        across = unturned(rows, columns, self.size, self.quarter_turns)
        planes, top, left = crop(self.planes, *across)
        encoded = planes_to_rgb(planes, self.encoding)[..., top, left]
        # A turned view has its rows as columns, which a flat index into pixels cannot take.
        return turn(decode(encoded, self.encoding.transfer), self.quarter_turns).contiguous()

    def scaled(
        self,
        rows: slice,
        columns: slice,
        size: tuple[int, int],
        wanted: tuple[slice, slice],
    ) -> Tensor:
        """A part of a window that is made smaller, antialiased in linear light.

        On a CPU a large one goes band by band, first across and then down: the filter is separable
        and runs in that order anyway, so each value is that of scaling the window whole, within
        the rounding of the curve.

        Args:
            rows: of the window; start and stop given.
            columns: likewise.
            size: (H, W) of the whole window once it is scaled; smaller each way.
            wanted: rows and columns of the scaled window that are wanted.

        Returns:
            (1, 3, *wanted) float, linear Rec.709.
        """
        if self.reader is not None:
            return self.reader.scaled(rows, columns, size, wanted)
        height, width = rows.stop - rows.start, columns.stop - columns.start
        across = self.planes[0].device.type == "cpu" and height * width > _LARGE_PIXELS
        if not across or min(size) < 2 or size[0] >= height or size[1] >= width:
            return resize(self.linear(rows, columns), size)[..., wanted[0], wanted[1]]
        down, right = wanted
        # The filter reaches one scaled pixel each way.
        reach = math.ceil(2 * height / size[0])
        first = max(down.start * height // size[0] - reach, 0)
        last = min(math.ceil(down.stop * height / size[0]) + reach, height)
        narrow: Tensor | None = None
        for band in bands(slice(first, last), width, self.planes[0].device):
            part = slice(rows.start + band.start, rows.start + band.stop)
            shown = resize(self.linear(part, columns), (band.stop - band.start, size[1]))[
                ..., right
            ]
            if narrow is None:
                # What lies beyond is not looked at, but must not be NaN.
                narrow = shown.new_zeros(1, 3, height, shown.shape[-1])
            narrow[..., band, :] = shown
        if narrow is None:
            raise ShapeError(f"scaled: got rows {down}; need at least one")
        # One column is taken for channels-last and mixed up by torch 2.13's antialiased scaling.
        if narrow.shape[-1] == 1:
            narrow = narrow.repeat(1, 1, 1, 2)
        done = resize(narrow, (size[0], narrow.shape[-1]))
        return done[..., down, : right.stop - right.start].contiguous()

    def reduced(self, factor: int) -> Tensor:
        """The whole frame pooled: (1, 3, ceil(H / factor), ceil(W / factor)), linear Rec.709.

        Pooled before it is decoded: the analysis looks for flat places, where that is the same.
        """
        planes = self.planes
        if factor > 1:
            planes = pooled_planes(planes, factor)
        encoded = planes_to_rgb(planes, self.encoding)
        return turn(decode(encoded, self.encoding.transfer), self.quarter_turns)

    def sampled(self, factor: int) -> Tensor:
        """Single pixels of the frame, one of each pooled square: the noise is left in."""
        encoded = planes_to_rgb(sampled_planes(self.planes, factor), self.encoding)
        return turn(decode(encoded, self.encoding.transfer), self.quarter_turns)
