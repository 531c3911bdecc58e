"""A blurred limb that passed for solid gets one smooth alpha; hair, edges and specks do not."""

from __future__ import annotations

import pytest
import torch
from torch import Tensor

from models.basis import ASKED, CHANNELS, OWN, ROUGH
from models.blurred import DETAIL, TAKEN, blurred_solid

SIZE = (160, 1280)
SPOT = (..., slice(60, 100), slice(600, 680))


def arm() -> tuple[Tensor, Tensor]:
    """A smear across the frame whose middle passed for solid: what is seen, and its truth."""
    across = torch.arange(SIZE[0], dtype=torch.float32)
    truth = (0.6 - (across - 80).abs() / 80).clamp(0, 1).view(1, 1, -1, 1).expand(1, 1, *SIZE)
    x = torch.zeros(1, CHANNELS, *SIZE)
    x[:, ROUGH : ROUGH + 1] = truth + 0.2
    x[:, ASKED], x[:, OWN : OWN + 1] = 1, truth
    x[(0, ASKED, *SPOT[1:])], x[(0, OWN, *SPOT[1:])] = 0.5, 1
    return x, truth


def test_what_passed_for_solid_is_as_thin_as_the_network_says_without_a_border() -> None:
    x, truth = arm()
    found = blurred_solid(x, truth - x[:, OWN : OWN + 1], SIZE)
    assert found is not None
    sure, alpha = found[:, 0:1], found[:, 1:2]
    assert float(sure[SPOT].min()) == 1
    assert float(sure[..., :40, :].max()) == float(sure[..., :500].max()) == 0
    off = (alpha - truth)[SPOT].abs()
    assert float(off.max()) < 0.03
    # Over the spot's border it goes on as beside it: solid to partial would be a step of .4.
    steps = (sure * alpha + (1 - sure) * x[:, OWN : OWN + 1]).diff(dim=-1).abs()
    assert float(steps.max()) < 0.02


@pytest.mark.parametrize(("share", "half"), [(0.9, 0.0), (1.0, 0.5)])
def test_little_that_is_taken_is_no_blur(share: float, half: float) -> None:
    x, _ = arm()
    low, high = TAKEN
    taken = low * share if not half else (low + high) / 2
    found = blurred_solid(x, torch.full_like(x[:, :1], -taken), SIZE)
    assert (found is None) == (not half)
    if found is not None:
        assert float(found[0, 0, 80, 640]) == pytest.approx(half, abs=1e-5)


@pytest.mark.parametrize("deviation", [DETAIL[0] * 0.9, DETAIL[1] * 1.1])
def test_where_there_is_detail_nothing_is_smoothed(deviation: float) -> None:
    x, truth = arm()
    y, across = torch.meshgrid(*(torch.arange(n) for n in SIZE), indexing="ij")
    x[:, ROUGH] = 0.6 + deviation * (1 - 2 * ((y + across) % 2))
    found = blurred_solid(x, truth - x[:, OWN : OWN + 1], SIZE)
    assert found is not None
    assert float(found[0, 0, 80, 640]) == (1 if deviation < DETAIL[0] else 0)


def test_a_speck_is_no_blur() -> None:
    x, _ = arm()
    more = torch.zeros(1, 1, *SIZE)
    more[..., 80, 640] = -0.5
    assert blurred_solid(x, more, SIZE) is None
    more[..., 79:82, 639:642] = -0.5
    assert blurred_solid(x, more, SIZE) is not None


def test_what_is_taken_elsewhere_does_not_count() -> None:
    x, _ = arm()
    x[:, ASKED] = x[:, ASKED].where(x[:, ASKED] != 0.5, torch.ones(()))
    assert blurred_solid(x, torch.full((1, 1, *SIZE), -0.5), SIZE) is None
