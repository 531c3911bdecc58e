"""Asks the edge network about a frame: with the small matte's word for it, at analysis size."""

from __future__ import annotations

import torch
from torch import Tensor

from models import matte
from models.basis import Basis, basis_of
from models.correction import Correction, corrected, trained_refiner
from models.estimator import Estimator
from models.features import gathered, look_up, radius
from models.field import Fitted
from models.pyramid import grow, shrink
from models.refine import Refiner
from models.window import bounds

_AROUND = 48
"""Pixels of a frame of 1280 that the network sees beyond what it is asked about."""
_RIM = 16
"""Likewise, how deep in the solid part it corrects: a blurred arm whose colour is far from the
screen's passes for solid; on rendered people and photographs nearly all that does lies so near."""


class Corrector:
    """Corrects the mattes of one grade.

    Attributes:
        network: the small network whose word is corrected; None: the two colours'.
        refiner: the edge network; None: nothing is corrected.
    """

    def __init__(
        self, network: Estimator | None, refiner: Refiner | None, whole: bool = False
    ) -> None:
        """Make one.

        Args:
            network, refiner: see above.
            whole: the network sees the whole frame, as live on a card; else the part that is asked
                about, and it corrects the rim of what is solid, too.
        """
        self.network, self.refiner = network, refiner
        self._whole = whole  # as live, where the small network decides alone

    @classmethod
    def trained(cls, network: Estimator | None, live: bool, device: torch.device) -> Corrector:
        """One with the weights that are there.

        Args:
            network: as above.
            live: of the live grade; there a processor has no time for it.
            device: where it works.

        Raises:
            PosewallError: weights are damaged.
        """
        spared = live and device.type == "cpu"
        return cls(network, None if spared else trained_refiner(device), whole=live)

    def __call__(
        self, small: Tensor, bare: Fitted, subject: matte.Subject, noise: float, alone: bool
    ) -> Correction | None:
        """Correct a frame's matte.

        Args:
            small: (1, 3, h, w) float, linear Rec.709, the frame at analysis size.
            bare: its screen.
            subject: its subject.
            noise: of the matte over the bare screen, at analysis size.
            alone: the small network decides alone, as it does live.

        Returns:
            None where there is no edge network, or nothing to ask it.
        """
        if self.refiner is None:
            return None
        basis = self.basis(small, bare, subject, noise)
        if basis is None:
            return None
        return corrected(basis, self.refiner, alone or self._whole, not self._whole)

    def basis(
        self, small: Tensor, bare: Fitted, subject: matte.Subject, noise: float
    ) -> Basis | None:
        """What the edge network would see: the window that holds all that is asked about.

        Args:
            small, bare, subject, noise: as above.

        Returns:
            None where nothing is asked about.
        """
        size = (small.shape[-2], small.shape[-1])
        rows, columns = slice(0, size[0]), slice(0, size[1])
        if not self._whole:
            near = grow(subject.near, radius(size, _AROUND))
            rows, columns = bounds(near > 0, 1, size)
            if rows.start == rows.stop:
                return None
        shown = small[..., rows, columns].contiguous()
        asked = matte.ask(shown, bare, subject, noise, rows, columns, size)
        own, behind = gathered(asked.index, shown, asked.back)
        front = look_up(subject.color, asked.row, asked.column)[None]
        plain = matte.plain(own, behind, front, subject, asked)
        if self.network is None:
            found = plain
        else:
            found = self.network.estimate(subject.told, asked.pixels, asked.row, asked.column)
        rim = None
        if not self._whole:
            solid = asked.solid.to(shown.dtype)
            rim = asked.solid & (shrink(solid, radius(size, _RIM)) < 0.5)
        return basis_of(shown, bare, subject, asked, found, plain, noise, rim, (rows, columns))
