"""template.toml: what it may say, and how its mistakes are told."""

from __future__ import annotations

import pytest

from models.composite import Mode
from stream.template.description import read_description
from stream.template.wording import DEFAULT_FONT
from tests.stream.template.building import PICTURE, SLOT, TEXT


def test_everything_that_can_be_said() -> None:
    toml = """
[picture]
width_in = 8
height_in = 10
ppi = 300
[slot]
above = "hills"
box = [1, 2.5, 300, 400]
fit = "contain"
anchor = "center"
[[text]]
value = "{name} of {group}"
above = "frame"
box = [1, 2, 30, 40]
font = "fonts/x.ttf"
size = 90
least = 30
color = "#ff8000"
align = "left"
valign = "bottom"
outline = { width = 3, color = "#000000" }
shadow = { dx = 2, dy = 3, blur = 4, color = "#102030", opacity = 0.5 }
[[layer]]
name = "glow"
mode = "screen"
opacity = 0.5
"""
    problems: list[str] = []
    d = read_description(toml.encode(), problems)
    assert problems == []
    assert d.picture is not None
    assert d.picture.size == (3000, 2400)
    (slot,) = d.slots
    assert (slot.box, slot.fit, slot.anchor) == ((1, 2.5, 300, 400), "contain", "center")
    (text,) = d.texts
    assert text.columns == ("name", "group")
    assert text.color == (1.0, 128 / 255, 0.0)
    assert (text.font, text.size, text.least) == ("fonts/x.ttf", 90, 30)
    assert (text.align, text.valign) == ("left", "bottom")
    assert text.outline is not None
    assert text.outline.width == 3
    assert text.shadow is not None
    assert (text.shadow.dx, text.shadow.dy, text.shadow.blur) == (2, 3, 4)
    assert text.shadow.opacity == 0.5
    assert [(n.name, n.mode, n.opacity) for n in d.layers] == [("glow", Mode.SCREEN, 0.5)]


def test_what_need_not_be_said() -> None:
    problems: list[str] = []
    d = read_description((PICTURE + SLOT + TEXT).encode(), problems)
    assert problems == []
    (slot,) = d.slots
    assert (slot.box, slot.fit, slot.anchor) == (None, "cover", "bottom")
    assert (d.texts[0].font, d.texts[0].align, d.texts[0].valign) == (
        DEFAULT_FONT,
        "center",
        "middle",
    )


@pytest.mark.parametrize(
    ("says", "size"),
    [
        ('paper = "4x6"', (1800, 1200)),
        ('paper = "4x6"\nhold = "wide"', (1200, 1800)),
        ('paper = "4x6"\nbleed = true', (1875, 1275)),
        ('paper = "100x150mm"\nbleed = true', (1843, 1252)),
        ('paper = "4x6"\nppi = 600', (3600, 2400)),
    ],
)
def test_papers_by_name(says: str, size: tuple[int, int]) -> None:
    problems: list[str] = []
    d = read_description(f"[picture]\n{says}\n{SLOT}".encode(), problems)
    assert problems == []
    assert d.picture is not None
    assert d.picture.size == size


@pytest.mark.parametrize(
    ("toml", "says"),
    [
        (PICTURE, "add to template.toml a part [slot] with above ="),
        (SLOT, "a part [picture] with paper, or width_in and height_in, and ppi"),
        (PICTURE + "[slot]\n", "[slot]: above is missing; need words in quotes"),
        (PICTURE + "[slot]\nabove = 3", "above is 3; need words in quotes"),
        (PICTURE + SLOT + 'fit = "fill"', "fit is 'fill'; need one of cover, contain"),
        (PICTURE + SLOT + "box = [1, 2, 3]", "box is [1, 2, 3]; need [x, y, width, height]"),
        (PICTURE + SLOT + "box = [1, 2, 0, 3]", "need [x, y, width, height]"),
        (PICTURE + SLOT + "box = [nan, 2, 2, 3]", "need [x, y, width, height]"),
        (PICTURE + SLOT + 'achor = "top"', 'no entry "achor"; did you mean "anchor"?'),
        (PICTURE.replace("20", '"20"') + SLOT, "ppi is '20'; need a number"),
        (PICTURE.replace("20", "5") + SLOT, "ppi is 5; need a number from 20 to 2400"),
        (PICTURE.replace("4", "true") + SLOT, "width_in is True; need a number"),
        ("[picture]\npaper = 'b3'\n" + SLOT, "paper is 'b3'; need one of 2x6,"),
        (PICTURE + SLOT + TEXT.replace("20", "8"), "least is 12; need no more than size"),
        (PICTURE + SLOT + TEXT + 'color = "red"', "color is 'red'; need a colour such as"),
        (PICTURE + SLOT + TEXT + "outline = 4", "outline is 4; need a table in { }"),
        (PICTURE + SLOT + TEXT + "outline = {}", "[[text]] 1, outline: width is missing"),
        (PICTURE + SLOT + TEXT.replace("{name}", "{}"), "roster column between { and }"),
        (PICTURE + SLOT + TEXT.replace("box", "bax"), "box is missing"),
        (PICTURE + SLOT + "[text]\nvalue = 'a'", "must be written as [[text]]"),
        (PICTURE + SLOT + "[[layer]]\nname = 'a'\nmode = 'glow'", "mode is 'glow'; need one of"),
        (PICTURE + SLOT + "[print]\n", 'a part "print" that is not known'),
        ("[picture\n", "template.toml cannot be read"),
        ("a = " + "9" * 5000, "template.toml cannot be read"),
        ("a = " + "[" * 5000, "template.toml cannot be read"),
    ],
)
def test_mistakes_are_told(toml: str, says: str) -> None:
    problems: list[str] = []
    read_description(toml.encode(), problems)
    assert any(says in p for p in problems), problems


def test_text_that_is_no_text() -> None:
    problems: list[str] = []
    read_description(b"\xff\xfe\x00", problems)
    assert len(problems) == 1
    assert "cannot be read" in problems[0]


def test_a_mark_that_editors_put_first_is_no_mistake() -> None:
    problems: list[str] = []
    read_description(b"\xef\xbb\xbf" + (PICTURE + SLOT).encode(), problems)
    assert problems == []


@pytest.mark.parametrize(
    ("toml", "says"),
    [
        ("x = " + "[" * 100_000, "brackets in brackets"),
        ("[picture]\nppi = " + "9" * 5000, "template.toml cannot be read"),
        ("[picture]\nppi = " + "9" * 4000, "ppi is 9999"),
        ("[picture]\nppi = 0x" + "f" * 9000, "ppi is a number of thousands of digits"),
        ("[slot]\nbox = [0, 0, 1" + "0" * 400 + ", 5]", "box is [0, 0, 1000"),
        ("# " + "x" * (1 << 20), "larger than 1024 kB"),
        (SLOT.replace("[slot]", "[[slot]]") * 25, "there are 25 [[slot]]; at most 24 can be used"),
        (TEXT * 201, "there are 201 [[text]]; at most 200 can be used"),
        ("[[code]]\n" * 201, "there are 201 [[code]]; at most 200 can be used"),
        (TEXT + f"fallback = {['a'] * 17}", "need at most 16 of them"),
    ],
)
def test_values_that_no_one_writes(toml: str, says: str) -> None:
    problems: list[str] = []
    read_description(toml.encode(), problems)
    assert any(says in p for p in problems), problems
    assert all(len(p) < 300 for p in problems)
