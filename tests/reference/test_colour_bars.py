"""Colour bars by matrix, range and depth.

Sources: SMPTE RP 219-1 and ITU-R BT.471 (the bars); ITU-R BT.601-7, BT.709-6 and BT.2020-2 (the
matrices, and the codes of narrow range: 16 + 219 y, 128 + 224 c, times four at 10 bit). The codes
below were computed from those formulas; 601 at 8 bit is the table known from broadcast practice.
"""

from __future__ import annotations

import pytest
import torch

from models.color import Encoding, Matrix, Planes, Range, Siting, planes_to_rgb, rgb_to_planes
from models.transfer import Transfer

Code = tuple[int, int, int]

BARS: dict[str, tuple[int, int, int]] = {
    "white": (1, 1, 1),
    "yellow": (1, 1, 0),
    "cyan": (0, 1, 1),
    "green": (0, 1, 0),
    "magenta": (1, 0, 1),
    "red": (1, 0, 0),
    "blue": (0, 0, 1),
    "black": (0, 0, 0),
}

M601, M709, M2020 = Matrix.BT601, Matrix.BT709, Matrix.BT2020

TABLES: list[tuple[Matrix, int, float, list[Code]]] = [
    (
        M709,
        8,
        0.75,
        [
            (180, 128, 128),
            (168, 44, 136),
            (145, 147, 44),
            (133, 63, 52),
            (63, 193, 204),
            (51, 109, 212),
            (28, 212, 120),
            (16, 128, 128),
        ],
    ),
    (
        M709,
        10,
        0.75,
        [
            (721, 512, 512),
            (674, 176, 543),
            (581, 589, 176),
            (534, 253, 207),
            (251, 771, 817),
            (204, 435, 848),
            (111, 848, 481),
            (64, 512, 512),
        ],
    ),
    (
        M709,
        10,
        1.0,
        [
            (940, 512, 512),
            (877, 64, 553),
            (754, 615, 64),
            (691, 167, 105),
            (313, 857, 919),
            (250, 409, 960),
            (127, 960, 471),
            (64, 512, 512),
        ],
    ),
    (
        M601,
        8,
        0.75,
        [
            (180, 128, 128),
            (162, 44, 142),
            (131, 156, 44),
            (112, 72, 58),
            (84, 184, 198),
            (65, 100, 212),
            (35, 212, 114),
            (16, 128, 128),
        ],
    ),
    (
        M601,
        10,
        0.75,
        [
            (721, 512, 512),
            (646, 176, 567),
            (525, 625, 176),
            (450, 289, 231),
            (335, 735, 793),
            (260, 399, 848),
            (139, 848, 457),
            (64, 512, 512),
        ],
    ),
    (
        M601,
        8,
        1.0,
        [
            (235, 128, 128),
            (210, 16, 146),
            (170, 166, 16),
            (145, 54, 34),
            (106, 202, 222),
            (81, 90, 240),
            (41, 240, 110),
            (16, 128, 128),
        ],
    ),
    (
        M2020,
        10,
        0.75,
        [
            (721, 512, 512),
            (682, 176, 539),
            (548, 606, 176),
            (509, 270, 203),
            (276, 754, 821),
            (237, 418, 848),
            (103, 848, 485),
            (64, 512, 512),
        ],
    ),
]

NAMES = [f"{m.value}-{depth}-{level:.0%}" for m, depth, level, _ in TABLES]

# Inverse matrices as the recommendations' weights give them, to the digits usually printed.
INVERSE = {
    M601: (1.402, 0.344136, 0.714136, 1.772),
    M709: (1.5748, 0.187324, 0.468124, 1.8556),
    M2020: (1.4746, 0.164553, 0.571353, 1.8814),
}


def bars(level: float) -> torch.Tensor:
    """(1, 3, 2, 16): each bar two pixels wide, so that halved chroma stays within a bar."""
    values = torch.tensor(list(BARS.values()), dtype=torch.float32) * level
    return values.T.view(1, 3, 1, 8).repeat_interleave(2, -1).repeat_interleave(2, -2)


def coded(codes: list[Code], depth: int) -> Planes:
    kind = torch.uint8 if depth == 8 else torch.int32
    y, cb, cr = torch.tensor(codes).T

    def wide(codes: torch.Tensor) -> torch.Tensor:
        return codes.to(kind).view(1, 8).repeat_interleave(2, -1).repeat_interleave(2, -2)

    return wide(y), wide(cb), wide(cr)


@pytest.mark.parametrize(("matrix", "depth", "level", "codes"), TABLES, ids=NAMES)
def test_bars_are_coded_as_the_standard_has_them(
    matrix: Matrix, depth: int, level: float, codes: list[Code]
) -> None:
    encoding = Encoding(matrix, Range.NARROW, Transfer.BT709, Siting.LEFT, depth)
    got = rgb_to_planes(bars(level), encoding, "444")
    for plane, want in zip(got, coded(codes, depth), strict=True):
        assert plane.dtype is want.dtype
        assert torch.equal(plane, want)


@pytest.mark.parametrize(("matrix", "depth", "level", "codes"), TABLES, ids=NAMES)
def test_bars_are_read_as_the_standard_has_them(
    matrix: Matrix, depth: int, level: float, codes: list[Code]
) -> None:
    encoding = Encoding(matrix, Range.NARROW, Transfer.BT709, Siting.LEFT, depth)
    got = planes_to_rgb(coded(codes, depth), encoding)
    # Half a code of luma and of one chroma, by the largest coefficient.
    worst = 0.5 * (1 / 219 + max(INVERSE[matrix]) / 224) / (1 << (depth - 8))
    assert float((got - bars(level)).abs().max()) <= worst + 1e-6


@pytest.mark.parametrize(("matrix", "depth", "level", "codes"), TABLES, ids=NAMES)
def test_another_matrix_is_told_apart(
    matrix: Matrix, depth: int, level: float, codes: list[Code]
) -> None:
    """Read by a wrong matrix the bars are off by far more than rounding."""
    for other in (M601, M709, M2020):
        if other is matrix:
            continue
        encoding = Encoding(other, Range.NARROW, Transfer.BT709, Siting.LEFT, depth)
        assert (
            float((planes_to_rgb(coded(codes, depth), encoding) - bars(level)).abs().max()) > 0.02
        )


@pytest.mark.parametrize("matrix", list(INVERSE))
@pytest.mark.parametrize("full", [False, True])
@pytest.mark.parametrize("depth", [8, 10])
def test_inverse_coefficients(matrix: Matrix, full: bool, depth: int) -> None:
    """One chroma step away from mid grey, channel by channel."""
    red, green_cb, green_cr, blue = INVERSE[matrix]
    unit = 1 << (depth - 8)
    top = (1 << depth) - 1
    span = float(top) if full else 224.0 * unit
    mid = 128 * unit
    kind = Range.FULL if full else Range.NARROW
    encoding = Encoding(matrix, kind, Transfer.BT709, Siting.LEFT, depth)

    def read(cb: int, cr: int) -> torch.Tensor:
        planes = [torch.full((1, 1), v, dtype=torch.int32) for v in (120 * unit, cb, cr)]
        return planes_to_rgb((planes[0], planes[1], planes[2]), encoding).flatten()

    grey, step = read(mid, mid), 32 * unit
    cb, cr = read(mid + step, mid) - grey, read(mid, mid + step) - grey
    c = step / span
    torch.testing.assert_close(cb, torch.tensor([0, -green_cb, blue]) * c, atol=2e-6, rtol=0)
    torch.testing.assert_close(cr, torch.tensor([red, -green_cr, 0]) * c, atol=2e-6, rtol=0)


@pytest.mark.parametrize("matrix", list(INVERSE))
@pytest.mark.parametrize("depth", [8, 10])
def test_full_range_chroma_is_clamped_at_the_top(matrix: Matrix, depth: int) -> None:
    """JFIF's trap: full-range pure red and blue compute one code past the last, e.g. 256."""
    encoding = Encoding(matrix, Range.FULL, Transfer.SRGB, Siting.CENTER, depth)
    top = (1 << depth) - 1
    y, cb, cr = rgb_to_planes(bars(1.0), encoding, "444")
    names = list(BARS)
    assert int(cr[0, 2 * names.index("red")]) == top
    assert int(cb[0, 2 * names.index("blue")]) == top
    assert int(y[0, 0]) == top
    assert int(y[0, -1]) == 0
    back = planes_to_rgb((y, cb, cr), encoding)
    assert float((back - bars(1.0)).abs().max()) < 2.5 / top


@pytest.mark.parametrize("chroma", ["420", "422"])
def test_bars_survive_halved_chroma_in_the_middle_of_a_bar(chroma: str) -> None:
    encoding = Encoding(M709, Range.NARROW, Transfer.BT709, Siting.LEFT, 10)
    wide = bars(0.75).repeat_interleave(8, -1).repeat_interleave(4, -2)
    y, cb, cr = rgb_to_planes(wide, encoding, chroma)
    assert cb.shape == (wide.shape[-2] // (2 if chroma == "420" else 1), wide.shape[-1] // 2)
    table = TABLES[1][3]
    for i, want in enumerate(table):
        row, at = cb.shape[0] // 2, i * 8 + 4
        assert (int(y[3, i * 16 + 8]), int(cb[row, at]), int(cr[row, at])) == want


def test_narrow_rgb_is_read_by_its_range() -> None:
    """BT.709-6 item 5.4: R', G', B' of narrow range stand at 16 to 235, too."""
    encoding = Encoding(Matrix.RGB, Range.NARROW, Transfer.BT709, Siting.CENTER, 8)
    plane = torch.tensor([[16, 235, 0, 255]], dtype=torch.uint8)
    got = planes_to_rgb((plane, plane, plane), encoding)[0, 0, 0]
    torch.testing.assert_close(got, torch.tensor([0.0, 1.0, 0.0, 1.0]))
