"""Neighbourhood operations against brute force."""

from __future__ import annotations

import pytest
import torch
from torch import Tensor

from models.pyramid import enlarge, enlarge_part, grow, pool, shrink, soften, spread


def field(height: int, width: int, channels: int = 2, seed: int = 4) -> Tensor:
    return torch.rand(1, channels, height, width, generator=torch.Generator().manual_seed(seed))


@pytest.mark.parametrize("radius", [0, 1, 2, 3, 4, 7, 11])
@pytest.mark.parametrize("size", [(1, 1), (5, 1), (9, 13)])
def test_grow_and_shrink_are_maxima_and_minima(radius: int, size: tuple[int, int]) -> None:
    x = field(*size) - 0.5
    high, low = torch.empty_like(x), torch.empty_like(x)
    for i in range(size[0]):
        for j in range(size[1]):
            rows = slice(max(i - radius, 0), i + radius + 1)
            columns = slice(max(j - radius, 0), j + radius + 1)
            high[..., i, j] = x[..., rows, columns].amax((-2, -1))
            low[..., i, j] = x[..., rows, columns].amin((-2, -1))
    assert torch.equal(grow(x, radius), high)
    assert torch.equal(shrink(x, radius), low)


@pytest.mark.parametrize("factor", [1, 2, 3, 5])
def test_pool_is_a_mean_even_at_the_edges(factor: int) -> None:
    x = field(7, 11)
    got = pool(x, factor)
    assert got.shape[-2:] == (-(-7 // factor), -(-11 // factor))
    for i in range(got.shape[-2]):
        for j in range(got.shape[-1]):
            square = x[..., i * factor : (i + 1) * factor, j * factor : (j + 1) * factor]
            torch.testing.assert_close(got[..., i, j], square.mean((-2, -1)))


def test_soften_is_binomial() -> None:
    x = torch.zeros(1, 1, 5, 5)
    x[..., 2, 2] = 16
    want = torch.tensor([[1.0, 2, 1], [2, 4, 2], [1, 2, 1]])
    torch.testing.assert_close(soften(x)[0, 0, 1:4, 1:4], want)
    assert float(soften(x).sum()) == pytest.approx(16)
    flat = torch.full((1, 3, 4, 1), 0.7)
    torch.testing.assert_close(soften(flat), flat)


def test_enlarge_gives_a_ramp_back() -> None:
    x = torch.linspace(0, 1, 9).view(1, 1, 1, 9).expand(1, 1, 6, 9)
    assert enlarge(x, (6, 9)) is x
    got = enlarge(x, (24, 36))
    at = (torch.arange(36) + 0.5) / 4 - 0.5
    torch.testing.assert_close(got[0, 0, 5, 2:-2], at[2:-2] / 8)


@pytest.mark.parametrize(
    ("small", "size"),
    [
        ((20, 30), (80, 120)),
        ((20, 30), (78, 118)),
        ((7, 9), (20, 27)),
        ((5, 5), (5, 5)),
        ((20, 30), (33, 47)),
        ((1, 1), (6, 6)),
        ((2, 1), (11, 6)),
    ],
)
def test_enlarged_part_is_the_window_of_the_whole(
    small: tuple[int, int], size: tuple[int, int]
) -> None:
    x = field(*small)
    whole = enlarge_part(x, slice(0, size[0]), slice(0, size[1]), size)
    assert whole.shape == (1, 2, *size)
    for top, bottom in ((0, 3), (2, 5), (size[0] // 2, size[0]), (size[0] - 1, size[0])):
        for left, right in ((0, 1), (1, 5), (size[1] // 3, size[1]), (size[1] - 1, size[1])):
            rows, columns = slice(top, min(bottom, size[0])), slice(left, min(right, size[1]))
            got = enlarge_part(x, rows, columns, size)
            torch.testing.assert_close(got, whole[..., rows, columns], atol=1e-6, rtol=0)


def test_enlarged_whole_is_laid_as_it_was_pooled() -> None:
    """A ramp pooled by 4 and enlarged again is the ramp, also where 4 does not divide the size."""
    ramp = torch.arange(118).float().view(1, 1, 1, 118).expand(1, 1, 78, 118)
    small = pool(ramp, 4)
    got = enlarge_part(small, slice(0, 78), slice(0, 118), (78, 118))
    torch.testing.assert_close(got[..., 4:-8], ramp[..., 4:-8], atol=1e-4, rtol=0)


def test_spread_keeps_what_is_known_and_fills_the_rest() -> None:
    y, x = torch.meshgrid(torch.arange(48.0), torch.arange(64.0), indexing="ij")
    truth = torch.stack([0.2 + 0.008 * x, 0.9 - 0.01 * y])[None]
    weight = torch.ones(1, 1, 48, 64)
    weight[..., 12:36, 20:44] = 0
    broken = torch.where(weight > 0, truth, torch.full_like(truth, 50.0))
    got = spread(broken, weight)
    known = (weight > 0).expand_as(truth)
    assert torch.equal(got[known], truth[known])
    # chosen: measured .027 mean, .071 at most; the hole is a third of the picture a side.
    gap = (got - truth)[~known].abs()
    assert float(gap.mean()) < 0.035
    assert float(gap.max()) < 0.09


@pytest.mark.parametrize("size", [(1, 1), (2, 2), (3, 5), (1, 40), (33, 65)])
def test_spread_of_one_value_is_that_value(size: tuple[int, int]) -> None:
    x = torch.full((1, 3, *size), 0.37)
    weight = torch.zeros(1, 1, *size)
    weight[..., 0, -1] = 1
    torch.testing.assert_close(spread(x, weight), x, atol=1e-5, rtol=0)


def test_spread_of_nothing_is_zero_and_finite() -> None:
    got = spread(field(9, 7), torch.zeros(1, 1, 9, 7))
    assert torch.equal(got, torch.zeros_like(got))


def test_spread_stays_between_what_is_known() -> None:
    x = field(40, 40)
    weight = (field(40, 40, 1, seed=9) > 0.8).float()
    got = spread(x, weight)
    inside = x[(weight > 0).expand_as(x)]
    assert float(got.min()) >= float(inside.min()) - 1e-5
    assert float(got.max()) <= float(inside.max()) + 1e-5


def test_inputs_stay_as_they_were() -> None:
    x, weight = field(17, 19), (field(17, 19, 1) > 0.5).float()
    before = x.clone(), weight.clone()
    spread(x, weight)
    grow(x, 3)
    shrink(x, 3)
    soften(x)
    pool(x, 2)
    enlarge_part(x, slice(0, 9), slice(3, 20), (34, 38))
    assert torch.equal(x, before[0])
    assert torch.equal(weight, before[1])
