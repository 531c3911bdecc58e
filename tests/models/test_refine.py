"""The edge network as a network: shapes, size, and that it is used as it was trained."""

from __future__ import annotations

import pytest
import torch

from models.basis import CHANNELS, FINE
from models.refine import OUT, STRIDE, Refiner, like
from tests.models.refining import refiner


def noise(height: int, width: int) -> torch.Tensor:
    made = torch.Generator().manual_seed(1)
    return torch.rand(2, CHANNELS, height, width, generator=made)


def test_it_has_at_most_about_400_000_parameters() -> None:
    count = sum(p.numel() for p in Refiner(CHANNELS, FINE).parameters())
    assert count < 400_000


def test_it_begins_by_correcting_nothing() -> None:
    said = Refiner(CHANNELS, FINE)(noise(STRIDE, 2 * STRIDE))
    assert said.shape == (2, OUT, STRIDE, 2 * STRIDE)
    assert not said.any()


def test_folded_it_says_what_it_says_with_its_normalisation() -> None:
    torch.manual_seed(2)
    net = Refiner(CHANNELS, FINE, (6, 8, 10), learning=True)
    torch.nn.init.normal_(net.leave.weight)
    net.mean.uniform_()
    net.spread.uniform_(0.5, 2)
    for norm in net.modules():
        if isinstance(norm, torch.nn.BatchNorm2d):
            torch.nn.init.uniform_(norm.weight, 0.5, 2)
            torch.nn.init.uniform_(norm.bias, -0.5, 0.5)
    for _ in range(4):
        net(noise(64, 32))
    net.eval()
    x = noise(32, 64)
    torch.testing.assert_close(net.folded().eval()(x), net(x), atol=1e-5, rtol=1e-4)


def test_unfolded_it_learns_on_from_what_it_says() -> None:
    net, x = refiner(much=1, widths=(6, 8, 10)), noise(64, 96).repeat(2, 1, 1, 1)
    on = net.unfolded(x)
    assert {type(m) for m in on.modules()} >= {torch.nn.BatchNorm2d}
    torch.testing.assert_close(on(x), net(x), atol=1e-5, rtol=1e-4)  # normalised by these
    torch.testing.assert_close(net.unfolded(x).folded()(x), net(x), atol=1e-5, rtol=1e-4)


def test_its_shape_is_told_from_its_weights() -> None:
    net = refiner(widths=(6, 8, 10, 12))
    same = like(net.state_dict())
    assert (same.channels, same.fine, same.widths) == (CHANNELS, FINE, (6, 8, 10, 12))
    x = noise(32, 32)
    torch.testing.assert_close(same(x), net(x), atol=0, rtol=0)
    weights = net.state_dict()
    weights.pop("leave.bias")
    with pytest.raises(RuntimeError):
        like(weights)


def test_a_pixel_far_away_counts_but_the_finest_are_told_apart() -> None:
    net = refiner(much=1, widths=(6, 8, 10, 12))
    x = noise(64, 64)
    moved = x.clone()
    moved[..., 0, 0] += 5
    off = (net(moved) - net(x)).detach().abs().amax((0, 1))
    assert float(off[20, 20]) > 0
    assert float(off[0, 0]) > 10 * float(off[20, 20])
    assert float(off[0, 0] - off[1, 1]) != 0
