"""Windows of planes by kernels, against `models.upright` in plain torch."""

from __future__ import annotations

from dataclasses import replace

import pytest
import torch
from torch import Tensor

from models.color import SRGB_8BIT, Encoding, Matrix, Planes, Range, Siting
from models.kernels.cpu.banding import Bands
from models.kernels.cpu.light import Light
from models.transfer import Transfer
from models.upright import Upright
from tests.models.rendered import RGB_16, VIDEO_8

WITHIN = 2e-5
Spans = tuple[slice, slice]


def planes_of(size: tuple[int, int], chroma: tuple[int, int], depth: int = 8) -> Planes:
    """All code values, as a camera never gives them."""
    g = torch.Generator().manual_seed(4)
    kind = torch.uint8 if depth == 8 else torch.int32

    def plane(high: int, wide: int) -> Tensor:
        return torch.randint(0, 1 << depth, (high, wide), generator=g, dtype=kind)

    half = -(-size[0] // chroma[0]), -(-size[1] // chroma[1])
    return plane(*size), plane(*half), plane(*half)


def windows(size: tuple[int, int]) -> list[Spans]:
    high, wide = size
    return [
        (slice(0, high), slice(0, wide)),
        (slice(high // 3, high - high // 4), slice(wide // 3, wide - wide // 5)),
        (slice(high // 2, high // 2 + 1), slice(wide // 2, wide // 2 + 1)),
        (slice(high - 1, high), slice(0, wide)),
        (slice(0, high), slice(wide - 1, wide)),
    ]


def agree(planes: Planes, encoding: Encoding, turns: int = 0, threads: int = 1) -> None:
    assert Light.covers(planes, encoding)
    ours, theirs = Light(planes, encoding, turns, Bands(threads)), Upright(planes, encoding, turns)
    for window in windows(theirs.size):
        got, want = ours.linear(*window), theirs.linear(*window)
        torch.testing.assert_close(got, want, atol=WITHIN, rtol=0)
        assert got.is_contiguous()


def agree_scaled(planes: Planes, encoding: Encoding, turns: int, shrink: float) -> None:
    ours, theirs = Light(planes, encoding, turns, Bands()), Upright(planes, encoding, turns)
    high, wide = theirs.size
    rows, columns = slice(high // 9, high), slice(0, wide - wide // 7)
    have = rows.stop - rows.start, columns.stop - columns.start
    size = max(1, round(have[0] * shrink)), max(1, round(have[1] * shrink))
    for wanted in windows(size):
        got = ours.scaled(rows, columns, size, wanted)
        want = theirs.scaled(rows, columns, size, wanted)
        torch.testing.assert_close(got, want, atol=WITHIN, rtol=0)


@pytest.mark.parametrize("matrix", list(Matrix))
@pytest.mark.parametrize("levels", list(Range))
@pytest.mark.parametrize("depth", [8, 10])
def test_every_matrix_and_range(matrix: Matrix, levels: Range, depth: int) -> None:
    chroma = (1, 1) if matrix is Matrix.RGB else (2, 2)
    for transfer in Transfer:
        encoding = Encoding(matrix, levels, transfer, Siting.LEFT, depth)
        agree(planes_of((31, 46), chroma, depth), encoding)


@pytest.mark.parametrize("siting", list(Siting))
@pytest.mark.parametrize("chroma", [(2, 2), (1, 2), (1, 1), (2, 1)])
@pytest.mark.parametrize("size", [(34, 52), (35, 51), (1, 1), (1, 2), (2, 1), (3, 3), (2, 5)])
def test_every_siting_and_size(
    siting: Siting, chroma: tuple[int, int], size: tuple[int, int]
) -> None:
    agree(planes_of(size, chroma), replace(VIDEO_8, siting=siting))


@pytest.mark.parametrize("turns", range(4))
@pytest.mark.parametrize("encoding", [VIDEO_8, SRGB_8BIT])
def test_every_rotation(turns: int, encoding: Encoding) -> None:
    chroma = (1, 1) if encoding.matrix is Matrix.RGB else (2, 2)
    planes = planes_of((37, 50), chroma)
    agree(planes, encoding, turns)
    agree(planes, encoding, turns, threads=3)
    for shrink in (0.97, 0.6, 0.31, 0.07, 0.01):
        agree_scaled(planes, encoding, turns, shrink)


def test_sixteen_bits() -> None:
    agree(planes_of((20, 31), (1, 1), 16), RGB_16)


def test_planes_that_lie_in_memory_otherwise() -> None:
    y, cb, cr = planes_of((32, 48), (2, 2))
    both = torch.stack([cb, cr], -1)
    side = torch.zeros(40, 64, dtype=torch.uint8)
    side[3:35, 7:55] = y
    interleaved = both[..., 0], both[..., 1]
    for luma in (y, side[3:35, 7:55], y.T.contiguous().T):
        agree((luma, *interleaved), VIDEO_8)
        agree((luma, *interleaved), VIDEO_8, 1)
        agree_scaled((luma, *interleaved), VIDEO_8, 3, 0.4)
    rgb = torch.stack(planes_of((21, 33), (1, 1)), -1)
    agree((rgb[..., 2], rgb[..., 1], rgb[..., 0]), SRGB_8BIT, 2)


def test_what_is_not_covered_is_told() -> None:
    y, cb, cr = planes_of((32, 48), (2, 2))
    assert not Light.covers((y, cb, cr), SRGB_8BIT)
    assert not Light.covers((y, cb[:5], cr[:5]), VIDEO_8)
    assert not Light.covers((y, cb, cr[:5]), VIDEO_8)
    assert not Light.covers((y.float(), cb.float(), cr.float()), VIDEO_8)
    assert not Light.covers((y[:0], cb[:0], cr[:0]), VIDEO_8)
