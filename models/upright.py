"""A frame on the device, upright, converted to linear light only where it is looked at."""

from __future__ import annotations

import math

from torch import Tensor

from models.color import Encoding, Planes, planes_to_rgb, turn
from models.errors import ShapeError
from models.planes import crop, pooled_planes, sampled_planes, unturned
from models.resample import resize
from models.transfer import decode

# chosen: 1 Mi pixel a band; a 24 megapixel frame is scaled in half the time of scaling it whole,
# since its bands stay in the cache, and without large tensors between.
_BAND_PIXELS = 1 << 20
_LARGE_PIXELS = 4 * _BAND_PIXELS


class Upright:
    """A frame on the device, converted only where it is looked at."""

    def __init__(self, planes: Planes, encoding: Encoding, quarter_turns: int) -> None:
        self.planes, self._encoding, self._turns = planes, encoding, quarter_turns % 4
        height, width = planes[0].shape
        self.size = (width, height) if self._turns % 2 else (height, width)

    def linear(self, rows: slice, columns: slice) -> Tensor:
        """A window at full size: (1, 3, rows, columns), linear Rec.709."""
        across = unturned(rows, columns, self.size, self._turns)
        planes, top, left = crop(self.planes, *across)
        encoded = planes_to_rgb(planes, self._encoding)[..., top, left]
        # A turned view has its rows as columns, which a flat index into pixels cannot take.
        return turn(decode(encoded, self._encoding.transfer), self._turns).contiguous()

    def scaled(
        self,
        rows: slice,
        columns: slice,
        size: tuple[int, int],
        part: tuple[slice, slice],
    ) -> Tensor:
        """A part of a window that is made smaller, antialiased in linear light.

        On a CPU a large one goes band by band, first across and then down: the filter is separable
        and runs in that order anyway, so each value is that of scaling the window whole, within
        the rounding of the curve.

        Args:
            rows: of the window; start and stop given.
            columns: likewise.
            size: (H, W) of the whole window once it is scaled; smaller each way.
            part: rows and columns of the scaled window that are wanted.

        Returns:
            (1, 3, *part) float, linear Rec.709.
        """
        height, width = rows.stop - rows.start, columns.stop - columns.start
        across = self.planes[0].device.type == "cpu" and height * width > _LARGE_PIXELS
        if not across or min(size) < 2 or size[0] >= height or size[1] >= width:
            return resize(self.linear(rows, columns), size)[..., part[0], part[1]]
        down, right = part
        # The filter reaches one scaled pixel each way.
        reach, step = math.ceil(2 * height / size[0]), max(1, _BAND_PIXELS // width)
        first = max(down.start * height // size[0] - reach, 0)
        last = min(math.ceil(down.stop * height / size[0]) + reach, height)
        narrow: Tensor | None = None
        for start in range(first, last, step):
            stop = min(start + step, last)
            band = self.linear(slice(rows.start + start, rows.start + stop), columns)
            band = resize(band, (stop - start, size[1]))[..., right]
            if narrow is None:
                # What lies beyond is not looked at, but must not be NaN.
                narrow = band.new_zeros(1, 3, height, band.shape[-1])
            narrow[..., start:stop, :] = band
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
        encoded = planes_to_rgb(planes, self._encoding)
        return turn(decode(encoded, self._encoding.transfer), self._turns)

    def sampled(self, factor: int) -> Tensor:
        """Single pixels of the frame, one of each pooled square: the noise is left in."""
        encoded = planes_to_rgb(sampled_planes(self.planes, factor), self._encoding)
        return turn(decode(encoded, self._encoding.transfer), self._turns)
