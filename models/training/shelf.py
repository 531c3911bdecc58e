"""The crops that the network learns from, where it learns."""

from __future__ import annotations

import os

import torch
from torch import Tensor

from models.training.crops import SIDE, TOTAL

_ROOM = 0.7
"""Share of the free memory that crops may take."""


def room(device: torch.device) -> int:
    """How many crops a device has room for."""
    if device.type == "cuda":
        free = int(torch.cuda.mem_get_info(device)[0])
    else:
        free = os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES")
    return int(_ROOM * free) // (2 * TOTAL * SIDE * SIDE)


class Shelf:
    """Keeps so many crops; a full one loses its oldest.

    Attributes:
        crops: (N, `TOTAL`, `SIDE`, `SIDE`) half; those from `have` on are 0.
        came: crops that were put there so far.
    """

    def __init__(self, most: int, device: torch.device) -> None:
        self.crops = torch.zeros(most, TOTAL, SIDE, SIDE, dtype=torch.float16, device=device)
        self.came = 0

    @property
    def have(self) -> int:
        """Crops that are there."""
        return min(self.came, len(self.crops))

    def put(self, made: Tensor) -> None:
        """Add crops, (K, `TOTAL`, `SIDE`, `SIDE`), of which there may be no more than have room."""
        at = torch.arange(self.came, self.came + len(made), device=self.crops.device)
        self.crops[at % len(self.crops)] = made
        self.came += len(made)
