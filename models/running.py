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
from models.state import State


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
        """Take over what a frame shows, and keep what it hides.

        Args:
            screen: as fitted to the frame, from the guess where there was one.
        """
        # Bare screen as it is now, and what is hidden as it was, scaled by the fit to today's
        # light: a mean over frames would lag behind lamps, and differently in the two.
        self._color = screen.smooth
        self._hue = screen.hue

    @property
    def state(self) -> State:
        """What is remembered, exactly."""
        if self._color is None or self._hue is None:
            return State()
        return State({"color": self._color}, {"hue": self._hue.name})

    def restore(self, state: State, device: torch.device) -> None:
        """Remember what `state` gave.

        Raises:
            StateError: it is not whole.
        """
        if not state.facts:
            self._color, self._hue = None, None
            return
        self._color = state.tensor("color", device)
        self._hue = Hue[state.fact("hue")]
