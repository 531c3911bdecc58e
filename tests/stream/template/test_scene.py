"""Finished parts are kept within a budget of memory."""

from __future__ import annotations

import torch

from models.flatten import Flat
from stream.template.scene import Kept


def test_the_part_unused_for_longest_goes_first() -> None:
    kept = Kept(budget=1000)
    part = torch.zeros(100)  # 400 bytes
    for i in range(2):
        kept.keep(("ground", i, (1, 1)), part.clone())
    assert kept.find(("ground", 0, (1, 1))) is not None
    kept.keep(("ground", 2, (1, 1)), part.clone())
    assert kept.find(("ground", 1, (1, 1))) is None
    assert kept.find(("ground", 0, (1, 1))) is not None
    assert kept.find(("ground", 2, (1, 1))) is not None


def test_a_part_over_the_budget_is_not_kept() -> None:
    kept = Kept(budget=1000)
    kept.keep(("ground", 0, (1, 1)), torch.zeros(10))
    kept.keep(("start", 0, (1, 1)), Flat(torch.zeros(1, 3, 10, 10), torch.zeros(1, 1, 10, 10)))
    assert kept.find(("start", 0, (1, 1))) is None
    assert kept.find(("ground", 0, (1, 1))) is not None
