"""Exposure of a part of a frame: quantiles and shares that are known beforehand."""

from __future__ import annotations

import pytest
import torch

from models.exposure import exposure


def test_quantiles_and_shares_are_those_of_the_part() -> None:
    grey = torch.linspace(0, 1, 1000).view(1, 1, 10, 100).expand(1, 3, 10, 100).contiguous()
    here = torch.zeros(1, 1, 10, 100)
    here[..., :5, :] = 1  # the darker half
    found = exposure(grey, here)
    assert found is not None
    assert found.middle == pytest.approx(0.25, abs=0.005)
    assert found.high == pytest.approx(0.45, abs=0.005)
    assert found.clipped == 0
    assert found.black == pytest.approx(0.06, abs=0.005)  # 3 of the darker 50 hundredths
    whole = exposure(grey, torch.ones_like(here))
    assert whole is not None
    assert whole.clipped == pytest.approx(0.015, abs=0.002)


def test_one_channel_at_its_end_is_clipped() -> None:
    """Skin loses red first: its luma is far from white then."""
    skin = torch.tensor([1.0, 0.6, 0.5]).view(1, 3, 1, 1).expand(1, 3, 8, 8)
    found = exposure(skin, torch.ones(1, 1, 8, 8))
    assert found is not None
    assert found.clipped == 1
    assert found.middle < 0.7


def test_what_counts_half_counts_half() -> None:
    shown = torch.zeros(1, 3, 2, 8)
    shown[..., 4:] = 1
    weight = torch.ones(1, 1, 2, 8)
    weight[..., 4:] = 0.5
    found = exposure(shown, weight)
    assert found is not None
    assert found.clipped == pytest.approx(1 / 3)
    assert found.black == pytest.approx(2 / 3)


def test_nothing_is_no_exposure() -> None:
    assert exposure(torch.ones(1, 3, 4, 4), torch.zeros(1, 1, 4, 4)) is None
