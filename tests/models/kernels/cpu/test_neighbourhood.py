"""Neighbourhoods of small fields by kernels, against torch's own."""

from __future__ import annotations

import numpy as np
import pytest
import torch
from torch.nn import functional

from models.kernels.cpu.fitting import foreign, shares
from models.kernels.cpu.neighbourhood import enlarge, grow, shrink, soften_twice
from models.pyramid import soften

CLOSE = 1e-6
PLACED = 6e-6
"""Places up to 45 in float32: torch's own lie up to 45 / 2 ** 23 off those of float64."""
SIZES = [(h, w) for h in range(1, 7) for w in range(1, 7)] + [(31, 45), (40, 17)]


def field(height: int, width: int) -> torch.Tensor:
    made = torch.Generator().manual_seed(height * 100 + width)
    return torch.rand(1, 1, height, width, generator=made)


@pytest.mark.parametrize("size", SIZES)
def test_softened_twice(size: tuple[int, int]) -> None:
    x = field(*size)
    between, out = np.empty((2, *size), np.float32)
    soften_twice(x[0, 0].numpy(), between, out)
    assert np.abs(out - soften(soften(x))[0, 0].numpy()).max() < CLOSE


@pytest.mark.parametrize("size", SIZES)
def test_enlarged(size: tuple[int, int]) -> None:
    x = field(*size)
    for down, right in ((1, 1), (2, 2), (2, 3), (3, 2), (8, 4)):
        to = size[0] * down, size[1] * right
        for want in (to, (max(to[0] - 1, size[0]), max(to[1] - 1, size[1]))):
            between, out = np.empty((2, *want), np.float32)
            enlarge(x[0, 0].numpy(), between, out)
            known = functional.interpolate(x, want, mode="bilinear", align_corners=False)
            assert np.abs(out - known[0, 0].numpy()).max() < PLACED


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("radius", [1, 3])
def test_largest_and_smallest_of_squares(size: tuple[int, int], radius: int) -> None:
    x = field(*size)
    side = 2 * radius + 1
    largest = functional.max_pool2d(x, side, 1, radius)[0, 0]
    smallest = -functional.max_pool2d(-x, side, 1, radius)[0, 0]
    mask = (x > 0.8).to(torch.uint8)
    marked = functional.max_pool2d(mask.float(), side, 1, radius)[0, 0]
    whole = 1 - functional.max_pool2d(1 - mask.float(), side, 1, radius)[0, 0]
    for of, most, least in ((x, largest, smallest), (mask, marked, whole)):
        src = of[0, 0].numpy()
        between, out, own = np.empty_like(src), np.empty_like(src), src.copy()
        grow(src, radius, between, out)
        assert np.array_equal(out, most.numpy())
        shrink(src, radius, between, out)
        assert np.array_equal(out, least.numpy())
        shrink(own, radius, between, own)
        assert np.array_equal(own, out)


def counted(mask: torch.Tensor, side: int) -> tuple[torch.Tensor, torch.Tensor]:
    """How many pixels of each square are marked, and how many there are."""
    height, width = mask.shape
    pad = (0, -width % side, 0, -height % side)
    both = torch.stack([mask.double(), torch.ones(height, width, dtype=torch.float64)])
    means = functional.avg_pool2d(functional.pad(both, pad)[None], side)[0]
    marked, whole = (means * side * side).round()
    return marked, whole


@pytest.mark.parametrize("size", [(1, 1), (3, 9), (8, 8), (17, 33), (40, 23)])
@pytest.mark.parametrize("least", [0.1, 0.5, 0.97])
def test_marks_in_squares_are_counted(size: tuple[int, int], least: float) -> None:
    x = field(*size)[0, 0]
    mask = (x > least).to(torch.uint8)
    marked, whole = counted(mask, 8)
    share = np.empty(tuple(marked.shape), np.float32)
    some = shares(mask.numpy(), share)
    known = torch.where(marked / whole > 0.05, marked / whole, 0.0)
    assert np.abs(share - known.numpy()).max() < CLOSE
    assert some == int((known > 0).sum())
    other = field(size[1], size[0])[0, 0].T.contiguous()
    marked, whole = counted((x > least) | (other < 0.1), 4)
    cells, memory = np.empty(tuple(marked.shape), np.float32), np.empty(size, np.uint8)
    foreign(x.numpy(), least, other.numpy(), 0.1, memory, cells)
    assert np.array_equal(cells, (4 * marked > whole).float().numpy())
