"""Planes pooled and sampled by kernels, against `Upright` in plain torch."""

from __future__ import annotations

import itertools

import pytest
import torch
from torch import Tensor

from models.color import Encoding, Matrix, Planes, Range, Siting
from models.kernels.cpu.reducing import reduced, sampled
from models.transfer import Transfer
from models.upright import Upright

CLOSE = 6e-5
"""The curve of BT.709 is broken by 5e-5 where its line ends."""


def codes(height: int, width: int, depth: int, seed: int = 0) -> Tensor:
    made = torch.Generator().manual_seed(seed + height * 1000 + width)
    top = 1 << depth
    kind = torch.uint8 if depth == 8 else torch.int32
    return torch.randint(0, top, (height, width), generator=made).to(kind)


def planes_of(height: int, width: int, chroma: str, depth: int = 8) -> Planes:
    high = (height + 1) // 2 if chroma == "420" else height
    wide = (width + 1) // 2 if chroma in ("420", "422") else width
    return codes(height, width, depth), codes(high, wide, depth, 1), codes(high, wide, depth, 2)


def agree(planes: Planes, encoding: Encoding, factor: int, turns: int = 0) -> None:
    frame = Upright(planes, encoding, turns)
    before = [p.clone() for p in planes]
    for got, want in (
        (reduced(frame, factor), frame.reduced(factor)),
        (sampled(frame, factor), frame.sampled(factor)),
    ):
        assert got.shape == want.shape
        assert got.is_contiguous()
        assert float((got - want).abs().max()) < CLOSE
    assert all(torch.equal(p, b) for p, b in zip(planes, before, strict=True))


@pytest.mark.parametrize("chroma", ["420", "422", "444"])
@pytest.mark.parametrize("size", [(1, 1), (2, 9), (9, 2), (37, 53), (48, 64), (61, 40)])
def test_every_subsampling_size_and_factor(chroma: str, size: tuple[int, int]) -> None:
    for factor, turns in zip((1, 2, 3, 4, 5, 12), (0, 1, 2, 3, 1, 0), strict=True):
        agree(planes_of(*size, chroma), Encoding(), factor, turns)


def test_every_encoding() -> None:
    for matrix, span, transfer, depth in itertools.product(Matrix, Range, Transfer, (8, 10)):
        encoding = Encoding(matrix, span, transfer, Siting.LEFT, depth)
        chroma = "444" if matrix is Matrix.RGB else "420"
        agree(planes_of(34, 50, chroma, depth), encoding, 4, turns=1)


@pytest.mark.parametrize("depth", [8, 10])
def test_planes_of_any_strides(depth: int) -> None:
    y = codes(40, 80, depth)[:, 3:67]
    both = codes(20, 64, depth, 1)
    turned = codes(32, 20, depth, 2).T
    for cb, cr in ((both[:, 0::2], both[:, 1::2]), (turned, turned), (both[:, 5:37], turned)):
        agree((y, cb, cr), Encoding(depth=depth), 4)
    agree((y[::2], both[:, :64], both.flip(0)), Encoding(depth=depth), 3)


def test_extreme_codes() -> None:
    for code in (0, 16, 235, 255):
        plane = torch.full((12, 16), code, dtype=torch.uint8)
        agree((plane, plane, plane), Encoding(), 4)
        agree((plane, plane, plane), Encoding(Matrix.RGB, Range.FULL, Transfer.SRGB), 4)
