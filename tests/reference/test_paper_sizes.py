"""Pixels of papers at 300 ppi: inches by the trade's names, millimetres by ISO 216 and PWG 5101."""

from __future__ import annotations

import pytest

from stream.template.paper import PAPERS
from stream.template.sizing import read_picture


@pytest.mark.parametrize(
    ("name", "width", "height"),
    [
        # inches x 300
        ("2x6", 600, 1800),
        ("3.5x5", 1050, 1500),
        ("4x6", 1200, 1800),
        ("5x7", 1500, 2100),
        ("6x8", 1800, 2400),
        ("8x10", 2400, 3000),
        ("8x12", 2400, 3600),
        ("8.5x11", 2550, 3300),
        # millimetres / 25.4 x 300, rounded; ISO 216: A6 105 x 148, A5 148 x 210, A4 210 x 297 mm,
        # A3 297 x 420
        ("100x150mm", 1181, 1772),
        ("a6", 1240, 1748),
        ("a5", 1748, 2480),
        ("a4", 2480, 3508),
        ("a3", 3508, 4961),
    ],
)
def test_trimmed(name: str, width: int, height: int) -> None:
    assert PAPERS[name].pixels(300) == (height, width)


@pytest.mark.parametrize(
    ("name", "width", "height"),
    [
        # common practice: 1/8 inch a side, and 3 mm a side on metric paper
        ("3.5x5", 1125, 1575),
        ("4x6", 1275, 1875),
        ("5x7", 1575, 2175),
        ("6x8", 1875, 2475),
        ("8x10", 2475, 3075),
        ("100x150mm", 1252, 1843),
    ],
)
def test_with_bleed(name: str, width: int, height: int) -> None:
    assert PAPERS[name].pixels(300, bleed=True) == (height, width)


@pytest.mark.parametrize("hold", ["upright", "wide"])
@pytest.mark.parametrize(
    ("name", "trimmed", "whole"),
    [
        # width x height: inches x 300, then with 1/8 inch or 3 mm a side (common practice)
        ("3.5x5", (1050, 1500), (1125, 1575)),
        ("4x6", (1200, 1800), (1275, 1875)),
        ("5x7", (1500, 2100), (1575, 2175)),
        ("6x8", (1800, 2400), (1875, 2475)),
        ("8x10", (2400, 3000), (2475, 3075)),
        ("100x150mm", (1181, 1772), (1252, 1843)),
        # A6 105 x 148 mm, A4 210 x 297 mm; (105 + 6) / 25.4 x 300 = 1311.02, and so on
        ("a6", (1240, 1748), (1311, 1819)),
        ("a4", (2480, 3508), (2551, 3579)),
    ],
)
def test_a_template_has_the_papers_pixels(
    name: str, trimmed: tuple[int, int], whole: tuple[int, int], hold: str
) -> None:
    said = {"paper": name, "hold": hold, "bleed": True, "ppi": 300}
    picture = read_picture(said, [])
    assert picture is not None
    turn = -1 if hold == "upright" else 1
    assert picture.trim_size == trimmed[::turn]
    assert picture.size == whole[::turn]
