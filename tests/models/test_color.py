"""Planes: sizes, types, windows, turns and errors; code values stand in tests/reference."""

from __future__ import annotations

import itertools

import pytest
import torch
from torch import Tensor

from models.color import (
    SRGB_8BIT,
    Encoding,
    Matrix,
    Planes,
    Range,
    Siting,
    planes_to_rgb,
    rgb_to_planes,
    to_codes,
    turn,
    upsample_chroma,
)
from models.errors import EncodingError, ShapeError
from models.planes import crop, pooled_planes, unturned
from models.transfer import Transfer

VIDEO = Encoding()


def picture(height: int, width: int, seed: int = 1) -> Tensor:
    return torch.rand(1, 3, height, width, generator=torch.Generator().manual_seed(seed))


def planes_of(height: int, width: int, chroma: str = "420", encoding: Encoding = VIDEO) -> Planes:
    return rgb_to_planes(picture(height, width), encoding, chroma)


@pytest.mark.parametrize("chroma", ["420", "422", "444"])
@pytest.mark.parametrize("size", [(1, 1), (2, 2), (3, 5), (7, 4), (8, 9)])
@pytest.mark.parametrize("depth", [8, 10, 12])
def test_sizes_and_types(chroma: str, size: tuple[int, int], depth: int) -> None:
    height, width = size
    encoding = Encoding(depth=depth)
    y, cb, cr = planes_of(height, width, chroma, encoding)
    rows = (height + 1) // 2 if chroma == "420" else height
    columns = (width + 1) // 2 if chroma in ("420", "422") else width
    assert y.shape == size
    assert cb.shape == cr.shape == (rows, columns)
    assert y.dtype is (torch.uint8 if depth == 8 else torch.int32)
    rgb = planes_to_rgb((y, cb, cr), encoding)
    assert rgb.shape == (1, 3, height, width)
    assert rgb.dtype is torch.float32
    assert float(rgb.min()) >= 0
    assert float(rgb.max()) <= 1


@pytest.mark.parametrize("matrix", list(Matrix))
@pytest.mark.parametrize("kind", list(Range))
@pytest.mark.parametrize("depth", [8, 10, 16])
def test_there_and_back(matrix: Matrix, kind: Range, depth: int) -> None:
    encoding = Encoding(matrix, kind, Transfer.BT709, Siting.LEFT, depth)
    rgb = picture(9, 11)
    back = planes_to_rgb(rgb_to_planes(rgb, encoding, "444"), encoding)
    # Half a code of each plane, the chroma's by at most 1.8814 (BT.2020, blue).
    assert float((back - rgb).abs().max()) < 0.5 * (1 / 219 + 1.8814 / 224) / (1 << (depth - 8))


@pytest.mark.parametrize("chroma", ["420", "422", "444"])
@pytest.mark.parametrize("siting", list(Siting))
def test_a_flat_colour_is_the_same_whatever_the_chroma(chroma: str, siting: Siting) -> None:
    flat = torch.tensor([0.8, 0.3, 0.1]).view(1, 3, 1, 1).expand(1, 3, 7, 9)
    encoding = Encoding(siting=siting, depth=16)
    back = planes_to_rgb(rgb_to_planes(flat, encoding, chroma), encoding)
    torch.testing.assert_close(back, flat, atol=1e-4, rtol=0)


@pytest.mark.parametrize("chroma", ["420", "422", "444"])
@pytest.mark.parametrize("siting", list(Siting))
@pytest.mark.parametrize("size", [(12, 18), (11, 17)])
def test_a_window_converts_as_in_the_whole(
    chroma: str, siting: Siting, size: tuple[int, int]
) -> None:
    encoding = Encoding(siting=siting)
    planes = planes_of(*size, chroma, encoding)
    whole = planes_to_rgb(planes, encoding)
    spans = [(0, 1), (0, 5), (1, 4), (3, 8), (4, 9), (7, 11)]
    for (top, bottom), (left, right) in itertools.product(spans, [*spans, (9, 17), (16, 17)]):
        rows, columns = slice(top, bottom), slice(left, right)
        part, inner_rows, inner_columns = crop(planes, rows, columns)
        got = planes_to_rgb(part, encoding)[..., inner_rows, inner_columns]
        assert torch.equal(got, whole[..., rows, columns]), (rows, columns)


def test_a_window_is_a_view() -> None:
    planes = planes_of(40, 40)
    part, _, _ = crop(planes, slice(10, 14), slice(20, 23))
    assert part[0].data_ptr() != planes[0].data_ptr()
    assert part[0].untyped_storage().data_ptr() == planes[0].untyped_storage().data_ptr()
    assert part[0].numel() < 100


def test_one_turn_is_clockwise() -> None:
    image = torch.tensor([[1, 2, 3], [4, 5, 6]])
    assert turn(image, 0) is image
    assert turn(image, 1).tolist() == [[4, 1], [5, 2], [6, 3]]
    assert turn(image, 2).tolist() == [[6, 5, 4], [3, 2, 1]]
    assert turn(image, 3).tolist() == [[3, 6], [2, 5], [1, 4]]
    assert torch.equal(turn(image, 4), image)


@pytest.mark.parametrize("turns", range(4))
def test_a_window_is_found_before_the_turn(turns: int) -> None:
    image = torch.arange(7 * 11).view(7, 11)
    upright = turn(image, turns)
    height, width = upright.shape
    for rows in (slice(0, height), slice(1, 3), slice(2, height)):
        for columns in (slice(0, 2), slice(3, width), slice(4, 5)):
            there = unturned(rows, columns, (height, width), turns)
            assert torch.equal(turn(image[there], turns), upright[rows, columns])


@pytest.mark.parametrize("factor", [2, 3, 4])
@pytest.mark.parametrize("chroma", ["420", "422", "444"])
@pytest.mark.parametrize("size", [(24, 36), (25, 37), (3, 5), (2, 2), (1, 1)])
def test_pooled_planes_are_means(factor: int, chroma: str, size: tuple[int, int]) -> None:
    planes = planes_of(*size, chroma)
    small = pooled_planes(planes, factor)
    want = (-(-size[0] // factor), -(-size[1] // factor))
    assert all(p.shape == want and p.dtype is torch.float32 for p in small)
    rows, columns = slice(0, factor), slice(0, factor)
    first = planes[0][rows, columns].float().mean()
    assert float(small[0][0, 0]) == pytest.approx(float(first), abs=1e-3)
    for before, after in zip(planes, small, strict=True):
        assert before.min() - 1e-3 <= after.min()
        assert after.max() <= before.max() + 1e-3


@pytest.mark.parametrize("factor", [2, 4])
def test_pooled_chroma_is_the_mean_of_what_lies_under(factor: int) -> None:
    planes = planes_of(16, 24)
    _, cb, _ = pooled_planes(planes, factor)
    side = factor // 2
    want = planes[1].float().view(8 // side, side, 12 // side, side).mean((1, 3))
    torch.testing.assert_close(cb, want)


def test_to_codes() -> None:
    x = torch.tensor([-0.1, 0.0, 0.5, 1.0, 1.2]).view(1, 1, 1, 5).expand(1, 3, 2, 5)
    eight, sixteen = to_codes(x, 8), to_codes(x, 16)
    assert eight.shape == (2, 5, 3)
    assert eight.dtype is torch.uint8
    assert eight[0, :, 0].tolist() == [0, 0, 128, 255, 255]
    assert sixteen[1, :, 2].tolist() == [0, 0, 32768, 65535, 65535]
    codes = torch.arange(65536).view(1, 1, 256, 256)
    assert torch.equal(to_codes(codes / 65535, 16)[..., 0].long(), codes[0, 0])


def test_inputs_stay_as_they_were() -> None:
    rgb = picture(6, 8)
    before = rgb.clone()
    for encoding in (VIDEO, SRGB_8BIT):
        planes = rgb_to_planes(rgb, encoding)
        kept = [p.clone() for p in planes]
        planes_to_rgb(planes, encoding)
        pooled_planes(planes, 2)
        to_codes(rgb, 8)
        assert torch.equal(rgb, before)
        assert all(torch.equal(p, k) for p, k in zip(planes, kept, strict=True))


def test_float_planes_are_taken_as_they_are() -> None:
    """Pooled code values are not whole numbers."""
    planes = planes_of(8, 8, "444")
    floats = tuple(p.float() for p in planes)
    got = planes_to_rgb((floats[0], floats[1], floats[2]), VIDEO)
    assert torch.equal(got, planes_to_rgb(planes, VIDEO))


@pytest.mark.parametrize(
    ("shapes", "match"),
    [
        ([(8, 8), (3, 4), (3, 4)], "need chroma of full or half size"),
        ([(8, 8), (4, 2), (4, 2)], "need chroma of full or half size"),
        ([(0, 8), (0, 4), (0, 4)], "need three planes"),
        ([(8,), (4,), (4,)], "need three planes"),
    ],
)
def test_planes_that_do_not_belong_together(shapes: list[tuple[int, ...]], match: str) -> None:
    y, cb, cr = (torch.zeros(s, dtype=torch.uint8) for s in shapes)
    with pytest.raises(ShapeError, match=match):
        planes_to_rgb((y, cb, cr), VIDEO)


def test_rgb_planes_of_unlike_size() -> None:
    y, half = torch.zeros(8, 8, dtype=torch.uint8), torch.zeros(4, 4, dtype=torch.uint8)
    with pytest.raises(ShapeError, match="differ in size"):
        planes_to_rgb((y, half, half), SRGB_8BIT)


def test_a_picture_of_another_shape_is_not_coded() -> None:
    with pytest.raises(ShapeError, match=r"got \(3, 4, 4\)"):
        rgb_to_planes(torch.zeros(3, 4, 4), VIDEO)


def test_chroma_that_fits_is_left_alone() -> None:
    chroma = torch.rand(1, 2, 5, 7)
    assert upsample_chroma(chroma, (5, 7), Siting.LEFT) is chroma


@pytest.mark.parametrize("matrix", list(Matrix))
@pytest.mark.parametrize("siting", list(Siting))
def test_tags_return_from_json(matrix: Matrix, siting: Siting) -> None:
    for kind, transfer in itertools.product(Range, Transfer):
        encoding = Encoding(matrix, kind, transfer, siting, 10)
        assert Encoding.from_json(encoding.to_json()) == encoding


@pytest.mark.parametrize(
    "change", [{"matrix": "bt470"}, {"range": None}, {"depth": "deep"}, {"siting": 3}]
)
def test_unknown_tags_are_named(change: dict[str, object]) -> None:
    with pytest.raises(EncodingError, match="need the five known tags"):
        Encoding.from_json({**VIDEO.to_json(), **change})
    data = VIDEO.to_json()
    del data[next(iter(change))]
    with pytest.raises(EncodingError):
        Encoding.from_json(data)
