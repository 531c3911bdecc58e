"""Edge networks for tests: whatever they say is made up, but the same every time."""

from __future__ import annotations

import torch

from models.basis import CHANNELS, FINE
from models.refine import Refiner


def refiner(seed: int = 3, much: float = 0.05, widths: tuple[int, ...] = (6, 8, 10)) -> Refiner:
    """A small one that changes a matte by about ``much``."""
    torch.manual_seed(seed)
    net = Refiner(CHANNELS, FINE, widths)
    torch.nn.init.normal_(net.leave.weight, std=much)
    return net.eval()


def telling(alpha: float, better: float = 0.1, alone: float | None = None) -> Refiner:
    """One that says the same of every pixel.

    Args:
        alpha: to be added.
        better: it expects to be better by so much than stills are without it.
        alone: likewise than the small network's word alone; None: by as much.
    """
    net = Refiner(CHANNELS, FINE, (4, 4)).eval()
    said = torch.tensor([alpha, 0.0, 0.0, 0.0, 0.0, better, better if alone is None else alone])
    with torch.no_grad():
        net.leave.bias.copy_(said.repeat_interleave(4))  # type: ignore[union-attr]
    return net
