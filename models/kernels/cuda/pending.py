"""A picture that an engine has sent on its way."""

from __future__ import annotations

import torch
from torch import Tensor

from models.color import Planes
from models.cut import Composite
from models.kernels.cuda.fields import FITS, FOUND


class Pending:
    """A picture on its way; see `models.kernels.cuda.engine.Engine.submit`.

    Args:
        picture: (H, W, 3) uint8. On the card it is where later frames of the lane are made: read
            only, since tiles that are bare in them are not written again.
        alpha: (1, 1, H, W) float32.
        told: (8,) float32 on the host, what the fields told.
        anybody: somebody may show in the picture; else nothing was keyed for it.
        done: when all that is there; None: it is.
        planes: kept until then.

    Attributes:
        done: as given. It is the lane's, recorded again two frames later: what waits for it then
            waits for that frame.
    """

    def __init__(
        self,
        picture: Tensor,
        alpha: Tensor,
        told: Tensor,
        anybody: bool,
        done: torch.cuda.Event | None,
        planes: Planes | None = None,
    ) -> None:
        self._made, self._told, self._anybody, self.done = (picture, alpha), told, anybody, done
        self._planes = planes
        self._composite: Composite | None = None

    def wait(self) -> Composite:
        """The picture, as soon as it is there.

        The engine calls it too, with the next frame but one: threads other than the one that
        submits have to see to it that only one is in here or in ``submit`` at a time.
        """
        if self._composite is None:
            if self.done is not None:
                self.done.synchronize()
            told = self._told.tolist()
            found, fits = told[FOUND] > 0, told[FITS]
            if not self._anybody:
                found, fits = True, -1.0
            self._composite = Composite(*self._made, found, None if fits < 0 else fits > 0)
            self._planes = None
        return self._composite
