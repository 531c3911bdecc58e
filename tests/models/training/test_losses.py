"""What the edge network is taught: each part of the loss, against what it should be by hand."""

from __future__ import annotations

import pytest
import torch
from torch import Tensor

from models.basis import ASKED, CHANNELS, COLOR, OWN, PLAIN
from models.refine import AFTER, ALONE, BEFORE, OUT
from models.training.crops import TOTAL
from models.training.losses import losses


def batch(own: float, truth: float, asked: slice = slice(0, 32)) -> Tensor:
    x = torch.zeros(1, TOTAL, 32, 32)
    x[:, OWN], x[:, CHANNELS] = own, truth
    x[:, ASKED, asked] = 1
    x[:, -1] = 1
    return x


def test_a_right_answer_costs_nothing() -> None:
    x = batch(0.3, 0.5)
    x[:, COLOR], x[:, CHANNELS + 1 : CHANNELS + 4] = 0.4, 0.6
    said = torch.zeros(1, OUT, 32, 32)
    said[:, 0], said[:, 1:4], said[:, BEFORE], said[:, ALONE] = 0.2, 0.2, 0.2, 0.2
    loss, off = losses(said, x)
    assert float(loss) == pytest.approx(0, abs=1e-6)
    assert float(off) == pytest.approx(0, abs=1e-6)


def test_an_error_of_alpha_counts_by_itself_and_over_areas() -> None:
    x = batch(0.3, 0.5)
    loss, off = losses(torch.zeros(1, OUT, 32, 32), x)
    assert float(off) == pytest.approx(0.2)
    # itself, its means over two sizes of squares; it is flat; none of three errors was expected
    assert float(loss) == pytest.approx(0.2 * 3 + 3 * 0.04, rel=1e-4)


def test_what_is_not_asked_or_beyond_the_shot_does_not_count() -> None:
    x = batch(0.3, 0.5, asked=slice(0, 8))
    x[:, OWN, 8:] = x[:, CHANNELS, 8:]
    said = torch.zeros(1, OUT, 32, 32)
    said[:, 0, :8], said[:, BEFORE], said[:, ALONE] = 0.2, 0.2, 0.2
    said[:, 0, 8:] = 9
    assert float(losses(said, x)[0]) == pytest.approx(0, abs=1e-6)
    x[:, -1, :8] = 0
    assert float(losses(said * 0, x)[1]) == 0


def test_beyond_0_and_1_costs_little() -> None:
    x = batch(1.0, 1.0)
    said = torch.zeros(1, OUT, 32, 32)
    said[:, 0] = 0.4
    loss, off = losses(said, x)
    assert float(off) == 0
    assert 0 < float(loss) < 0.1


def test_the_expected_errors_are_learned_from_the_real_ones() -> None:
    x = batch(0.3, 0.5)
    said = torch.zeros(1, OUT, 32, 32)
    low = float(losses(said, x)[0])
    said[:, AFTER] = 0.2
    assert float(losses(said, x)[0]) == pytest.approx(low - 0.04, rel=1e-4)
    x[:, PLAIN] = 0.9  # the two colours have half a say in stills: .6
    said[:, BEFORE] = 0.1
    assert float(losses(said, x)[0]) == pytest.approx(low - 0.08, rel=1e-4)
    said[:, ALONE] = 0.2  # the small network's word alone: .3
    assert float(losses(said, x)[0]) == pytest.approx(low - 0.12, rel=1e-4)


def test_the_rim_of_what_is_solid_counts_too() -> None:
    x = batch(1.0, 0.6)
    x[:, ASKED] = 0.5
    assert float(losses(torch.zeros(1, OUT, 32, 32), x)[1]) == pytest.approx(0.4)


def test_colour_counts_where_there_is_subject() -> None:
    x = batch(0.5, 0.5)
    x[:, CHANNELS, :, 16:] = x[:, OWN, :, 16:] = 0
    x[:, CHANNELS + 1 : CHANNELS + 4] = 0.5
    said = torch.zeros(1, OUT, 32, 32)
    said[:, 1:4, :, :16] = 0.5
    assert float(losses(said, x)[0]) == pytest.approx(0, abs=1e-6)
    said[:, 1:4, :, :16] = 0
    assert float(losses(said, x)[0]) > 0.1
