"""[picture]: trimmed size, bleed and safe area, in inches, millimetres and by a paper's name."""

from __future__ import annotations

import tomllib

import pytest

from stream.template.sizing import Picture, read_picture


def read(says: str) -> Picture:
    problems: list[str] = []
    picture = read_picture(tomllib.loads(says), problems)
    assert problems == []
    assert picture is not None
    return picture


def told(says: str) -> str:
    problems: list[str] = []
    read_picture(tomllib.loads(says), problems)
    return "; ".join(problems)


def test_inches() -> None:
    p = read("width_in = 4\nheight_in = 6\nppi = 100\nbleed_in = 0.1\nsafe_in = 0.25")
    assert (p.size, p.trim_size, p.bleed_px, p.safe_px) == ((620, 420), (600, 400), 10, 25)


def test_millimetres() -> None:
    p = read("width_mm = 127\nheight_mm = 254\nppi = 100\nbleed_mm = 2.54\nsafe_mm = 5.08")
    assert (p.size, p.trim_size, p.bleed_px, p.safe_px) == ((1020, 520), (1000, 500), 10, 20)


def test_margins_in_the_other_unit() -> None:
    p = read("width_in = 4\nheight_in = 6\nbleed_mm = 3\nsafe_mm = 5")
    assert p.bleed_in == pytest.approx(0.11811, abs=1e-5)
    assert p.safe_px == 59


def test_no_bleed_and_no_safe_area_unless_asked_for() -> None:
    p = read('paper = "4x6"')
    assert (p.size, p.trim_size, p.bleed_px, p.safe_px) == ((1800, 1200), (1800, 1200), 0, 0)


@pytest.mark.parametrize(
    ("says", "inches"),
    [
        # common practice: 1/8 inch, and 3 mm on metric sizes
        ('paper = "4x6"', 0.125),
        ('paper = "a6"', 3 / 25.4),
        ("width_in = 4\nheight_in = 6", 0.125),
        ("width_mm = 100\nheight_mm = 150", 3 / 25.4),
    ],
)
def test_the_usual_bleed(says: str, inches: float) -> None:
    assert read(says + "\nbleed = true").bleed_in == pytest.approx(inches)


def test_a_given_bleed_takes_the_place_of_the_usual() -> None:
    assert read('paper = "4x6"\nbleed = true\nbleed_in = 0.2').bleed_in == pytest.approx(0.2)
    assert read('paper = "a6"\nbleed_mm = 5').bleed_in == pytest.approx(5 / 25.4)


def test_held_wide() -> None:
    p = read('paper = "4x6"\nhold = "wide"\nbleed = true')
    assert (p.size, p.trim_size) == ((1275, 1875), (1200, 1800))


def test_the_trimmed_print_lies_inside_whatever_the_rounding() -> None:
    for ppi in range(72, 400, 7):
        for paper in ("3.5x5", "4x6", "100x150mm", "a5"):
            p = read(f'paper = "{paper}"\nbleed = true\nppi = {ppi}')
            for whole, trimmed in zip(p.size, p.trim_size, strict=True):
                left = whole - trimmed - p.bleed_px
                assert p.bleed_px <= left <= p.bleed_px + 2
                assert abs(p.bleed_px - p.bleed_in * ppi) <= 1


@pytest.mark.parametrize(
    ("says", "needed"),
    [
        ("width_in = 4", "height_in is missing"),
        ("width_mm = 100", "height_mm is missing"),
        ("width_in = 4\nheight_mm = 150", "both in inches or both in millimetres"),
        ('paper = "4x6"\nwidth_in = 4', "either paper or width and height, not both"),
        ('paper = "4x6"\nbleed_in = 0.1\nbleed_mm = 3', "either bleed_in or bleed_mm, not both"),
        ('paper = "4x6"\nbleed = false\nbleed_mm = 3', "true, or no bleed_in and bleed_mm"),
        ('paper = "4x6"\nsafe_in = 2', "less than half of the shorter side"),
        ('paper = "4x6"\nsafe_mm = -1', "a number from 0 to 101.6"),
        ('paper = "4x6"\nsave_mm = 1', 'no entry "save_mm"; did you mean "safe_mm"?'),
        ("width_mm = 100\nheight_mm = inf", "height_mm is inf; need a number from"),
        ('paper = ["4x6"]', "need one of 2x6"),
    ],
)
def test_mistakes(says: str, needed: str) -> None:
    assert needed in told(says)
