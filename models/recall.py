"""Whether a frame is the one that was looked at last, told without keeping it in memory."""

from __future__ import annotations

import weakref
from dataclasses import dataclass

from torch import Tensor

from models.color import Encoding, Planes


@dataclass(frozen=True)
class Mark:
    """Stands for planes and how they are read.

    The tensors themselves are told apart, not what they hold, and it counts how often torch wrote
    to each; what writes into their memory past torch has to give a new tensor.
    """

    planes: tuple[weakref.ref[Tensor], ...]
    writes: tuple[int, ...]
    encoding: Encoding
    quarter_turns: int

    @classmethod
    def of(cls, planes: Planes, encoding: Encoding, quarter_turns: int) -> Mark:
        """Mark a frame.

        Args:
            planes: its three tensors.
            encoding: how they are read.
            quarter_turns: that make it upright.
        """
        refs = tuple(weakref.ref(p) for p in planes)
        return cls(refs, _writes(planes), encoding, quarter_turns)

    def stands_for(self, planes: Planes, encoding: Encoding, quarter_turns: int) -> bool:
        """Whether these are the same tensors, unchanged and read alike."""
        same = all(ref() is plane for ref, plane in zip(self.planes, planes, strict=True))
        told = (self.encoding, self.quarter_turns) == (encoding, quarter_turns)
        return same and told and self.writes == _writes(planes)


def _writes(planes: Planes) -> tuple[int, ...]:
    # Those made in inference mode are not counted; then nobody but their maker writes to them.
    return tuple(0 if p.is_inference() else p._version for p in planes)
