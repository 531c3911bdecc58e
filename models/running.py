"""What a source's screen looked like lately: a clean plate that a clip makes by itself.

Only what is surely screen is taken over, so that somebody who stands still for long never becomes
screen. Each frame is still fitted by itself: lamps that drift are followed at once, and what is
remembered behind a subject is scaled with them.
"""

from __future__ import annotations

import torch
from torch import Tensor

from models.field import Fitted
from models.screen import Hue

_RATE = 0.1
"""chosen: share of a new frame; noise averages over about ten frames, a drift lags less than the
fit's own error."""


class Running:
    """The screen's colour, remembered where it was last seen."""

    def __init__(self) -> None:
        self._color: Tensor | None = None
        self._hue: Hue | None = None

    def guess(self, hue: Hue, size: tuple[int, int]) -> Tensor | None:
        """What is remembered.

        Args:
            hue: the screen's channel in the frame.
            size: (h, w) of the analysis.

        Returns:
            (1, 3, h, w) linear Rec.709; None where nothing of this hue and size is known yet.
        """
        if self._color is None or self._hue is not hue or self._color.shape[-2:] != size:
            return None
        return self._color

    def forget(self) -> None:
        """Begin anew: another camera, another screen."""
        self._color = None

    def learn(self, screen: Fitted) -> None:
        """Take over what a frame surely shows.

        Args:
            screen: as fitted to the frame, from the guess where there was one.
        """
        old = self.guess(screen.hue, (screen.smooth.shape[-2], screen.smooth.shape[-1]))
        # Where it is hidden the fit has already scaled what was remembered to today's light.
        self._color = (
            screen.smooth
            if old is None
            else torch.lerp(screen.smooth, old, (1 - _RATE) * screen.sure)
        )
        self._hue = screen.hue
