"""The shelf keeps the newest crops."""

from __future__ import annotations

import torch

from models.training.crops import SIDE, TOTAL
from models.training.shelf import Shelf, room

CPU = torch.device("cpu")


def test_a_full_shelf_loses_its_oldest() -> None:
    shelf = Shelf(5, CPU)
    assert shelf.have == 0
    for first in (1, 4, 7):
        numbers = torch.arange(first, first + 3)[:, None, None, None].half()
        shelf.put(numbers.expand(-1, TOTAL, SIDE, SIDE))
        assert shelf.have == min(5, first + 2)
    assert shelf.came == 9
    assert sorted(shelf.crops[:, -1, -1, -1].tolist()) == [5, 6, 7, 8, 9]


def test_a_device_has_room_for_some_crops() -> None:
    pages = 2 * TOTAL * SIDE * SIDE
    assert 10 < room(CPU) < 10**13 / pages
