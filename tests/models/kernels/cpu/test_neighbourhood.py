"""Neighbourhoods of small fields by kernels, against torch's own."""

from __future__ import annotations

import numpy as np
import pytest
import torch
from torch.nn import functional

from models.kernels.cpu.neighbourhood import enlarge, soften_twice
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
