"""The convolution of the live network by kernels, against torch's own."""

from __future__ import annotations

import pytest
import torch
from torch import Tensor, nn

from models.estimator import Estimator, trained
from models.kernels.cpu.convolving import Packed, shapes

CLOSE = 1e-5


def overview(height: int, width: int, seed: int = 0) -> Tensor:
    made = torch.Generator().manual_seed(seed + height * 1000 + width)
    return torch.rand(1, 9, height, width, generator=made)


def agree(layers: nn.Sequential, x: Tensor, packed: Packed | None = None) -> None:
    before = x.clone()
    got = shapes(x, packed or Packed(layers))
    with torch.inference_mode():
        want = layers(x)
    assert got.shape == want.shape
    assert got.is_contiguous()
    assert float((got - want).abs().max()) < CLOSE * max(1, float(want.abs().max()))
    assert torch.equal(x, before)


@pytest.fixture(scope="module")
def live() -> nn.Sequential:
    return trained("live", torch.device("cpu")).shapes


@pytest.mark.parametrize(
    "size",
    [
        *((1, 1), (1, 40), (40, 1), (3, 5), (15, 17), (16, 16), (33, 31), (97, 15), (95, 161)),
        *((90, 160), (160, 90), (130, 48)),
    ],
)
def test_trained_weights_at_every_size(live: nn.Sequential, size: tuple[int, int]) -> None:
    agree(live, overview(*size))


@pytest.mark.parametrize("width", [5, 12, 14])
def test_random_weights(width: int) -> None:
    torch.manual_seed(width)
    layers = Estimator(width, 8).shapes
    for conv in layers:
        if isinstance(conv, nn.Conv2d):
            # Values that neither fade nor grow from layer to layer.
            nn.init.kaiming_normal_(conv.weight)
    agree(layers, overview(37, 53))


def test_flat_and_wild_overviews(live: nn.Sequential) -> None:
    for x in (torch.zeros(1, 9, 20, 30), torch.ones(1, 9, 20, 30), 100 * overview(20, 30) - 50):
        agree(live, x)


def test_memory_is_used_again_at_any_size(live: nn.Sequential) -> None:
    packed = Packed(live)
    kept, at = shapes(overview(50, 70), packed), overview(50, 70)
    for size in ((50, 70), (50, 70), (7, 90), (60, 11), (50, 70)):
        agree(live, overview(*size, seed=9), packed)
    # What was handed out is not written to again.
    assert torch.equal(kept, shapes(at, packed))


def test_overview_of_any_strides(live: nn.Sequential) -> None:
    x = overview(21, 34).permute(0, 1, 3, 2)
    agree(live, x)
    agree(live, overview(42, 68)[:, :, ::2, ::2])


def test_single_pixel_reaches_as_far_as_the_dilations(live: nn.Sequential) -> None:
    dark, lit = torch.zeros(1, 9, 80, 80), torch.zeros(1, 9, 80, 80)
    lit[0, :, 40, 40] = 1
    packed = Packed(live)
    changed = (shapes(lit, packed) - shapes(dark, packed)).abs().amax(1)[0] > CLOSE
    rows = changed.any(1).nonzero()[:, 0]
    assert int(rows.min()) >= 40 - 31
    assert int(rows.max()) <= 40 + 31


def test_missing_bias_is_refused() -> None:
    with pytest.raises(ValueError, match="bias"):
        Packed(nn.Sequential(nn.Conv2d(9, 12, 3, padding=1, bias=False), nn.Conv2d(12, 8, 1)))
