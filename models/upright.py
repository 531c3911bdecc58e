"""A frame on the device, upright, converted to linear light only where it is looked at."""

from __future__ import annotations

from torch import Tensor

from models.color import Encoding, Planes, planes_to_rgb, turn
from models.planes import crop, pooled_planes, sampled_planes, unturned
from models.transfer import decode


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
