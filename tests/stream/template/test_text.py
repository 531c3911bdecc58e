"""Words in boxes: nothing is cut, nothing is lost, and what a person should look at is said."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
import torch

from models.flatten import Ink
from stream.template.inking import draw
from stream.template.loader import BUNDLED
from stream.template.text import fill_in, set_words
from stream.template.typeface import Typeface, check_font, missing_letters
from stream.template.wording import Outline, Shadow, Text

SANS = Typeface("DejaVuSans.ttf", (BUNDLED / "fonts" / "DejaVuSans.ttf").read_bytes())
BOLD = Typeface("DejaVuSans-Bold.ttf", (BUNDLED / "fonts" / "DejaVuSans-Bold.ttf").read_bytes())
BOX = (100.0, 50.0, 400.0, 120.0)
NAME = Text("{name}", "frame", BOX, "fonts/DejaVuSans.ttf", 80, 40)


def inked(inks: tuple[Ink, ...], size: tuple[int, int] = (400, 800)) -> tuple[int, int, int, int]:
    """Left, top, right, bottom of all ink in a picture."""
    canvas = torch.zeros(size)
    for ink in inks:
        h, w = ink.mask.shape
        assert ink.x >= 0
        assert ink.y >= 0
        part = canvas[ink.y : ink.y + h, ink.x : ink.x + w]
        part += ink.mask.float()
    ys, xs = torch.nonzero(canvas > 20, as_tuple=True)
    return int(xs.min()), int(ys.min()), int(xs.max()) + 1, int(ys.max()) + 1


def test_columns_are_filled_in() -> None:
    text = replace(NAME, value="{name}, { group }\nat the ball")
    fields = {"name": "Zoe\u0308  Li\tNa", "group": "7 {a}"}
    # U+0308 is composed with its letter, spaces and breaks become one space.
    assert fill_in(text, fields) == "Zo\u00eb Li Na, 7 {a} at the ball"
    assert fill_in(NAME, {}) == ""
    assert fill_in(NAME, {"name": "{name}"}) == "{name}"


def test_a_short_name_keeps_the_wanted_size() -> None:
    setting = set_words(NAME, "Ana", SANS)
    assert setting is not None
    assert setting.lines == ("Ana",)
    assert setting.size == 80
    assert setting.warnings == ()


def test_a_longer_name_shrinks() -> None:
    setting = set_words(NAME, "Annegret Ito", SANS)
    assert setting is not None
    assert setting.lines == ("Annegret Ito",)
    assert 40 <= setting.size < 80


def test_a_long_name_takes_two_lines() -> None:
    setting = set_words(NAME, "Wilhelmina Featherstone-Okonkwo", SANS)
    assert setting is not None
    assert setting.lines == ("Wilhelmina", "Featherstone-Okonkwo")
    assert setting.size >= 40 or setting.warnings


def test_a_name_that_fits_nowhere_is_whole_small_and_told() -> None:
    words = "Wilhelmina Maximiliane Featherstone-Okonkwo von und zu Hohenbergen-Ravensdale"
    setting = set_words(NAME, words, SANS)
    assert setting is not None
    # Broken at a space, or after a hyphen where the letters come out larger.
    assert "".join(setting.lines).replace(" ", "") == words.replace(" ", "")
    assert setting.size < 40
    assert len(setting.warnings) == 1
    assert "does not fit its box" in setting.warnings[0]
    one = set_words(NAME, "W" * 60, SANS)
    assert one is not None
    assert one.lines == ("W" * 60,)
    assert one.warnings


@pytest.mark.parametrize("scale", [0.3, 1.0, 1.37])
@pytest.mark.parametrize("align", ["left", "center", "right"])
@pytest.mark.parametrize("valign", ["top", "middle", "bottom"])
@pytest.mark.parametrize(
    "words", ["Ana", "\u00c5ngstr\u00f6m-\u00c7elik g\u0177", "Wilhelmina Featherstone-Okonkwo"]
)
def test_ink_lies_in_its_box(scale: float, align: str, valign: str, words: str) -> None:
    text = replace(NAME, align=align, valign=valign, outline=Outline(4, (0, 0, 0)))
    setting = set_words(text, words, SANS)
    assert setting is not None
    left, top, right, bottom = inked(draw(text, setting, (scale, scale)))
    x, y, w, h = (v * scale for v in BOX)
    # Hinting and the soft edge of a letter move ink by a pixel at most.
    assert left >= x - 1.5
    assert top >= y - 1.5
    assert right <= x + w + 1.5
    assert bottom <= y + h + 1.5
    if align == "left":
        assert left <= x + 2
    if align == "right":
        assert right >= x + w - 2
    if align == "center":
        assert abs((left + right) / 2 - (x + w / 2)) <= 1.5


def test_names_of_one_size_stand_on_one_line() -> None:
    tops = []
    for words in ("HH", "H\u00c9", "HQ"):
        text = replace(NAME, size=60, align="left")
        setting = set_words(text, words, SANS)
        assert setting is not None
        ink = draw(text, setting, (1, 1))[-1]
        column = ink.mask[:, int(BOX[0]) - ink.x + 6 : int(BOX[0]) - ink.x + 10]
        rows = torch.nonzero(column.amax(1) > 128).flatten()
        tops.append((ink.y + int(rows.min()), ink.y + int(rows.max())))
    assert tops[0] == tops[1] == tops[2]


def test_every_letter_is_drawn_whole() -> None:
    """The mask's rim stays empty, so that no letter touched the edge of what it was drawn on."""
    for words in ("\u00c5g", "jjj", "WWWW", "\u1ea6\u0329"):
        text = replace(NAME, outline=Outline(5, (0, 0, 0)))
        setting = set_words(text, words, SANS)
        assert setting is not None
        for ink in draw(text, setting, (1.0, 1.0)):
            rim = [ink.mask[0], ink.mask[-1], ink.mask[:, 0], ink.mask[:, -1]]
            assert all(int(r.max()) == 0 for r in rim)


def test_what_is_decided_does_not_hang_on_the_picture() -> None:
    """The screen and the print break a name alike: the setting knows no picture size."""
    setting = set_words(NAME, "Wilhelmina Featherstone-Okonkwo", SANS)
    assert setting is not None
    small, large = (inked(draw(NAME, setting, (s, s))) for s in (0.5, 1.5))
    for a, b in zip(small, large, strict=True):
        assert abs(a * 3 - b) <= 4


def test_shadow_and_outline_lie_below_the_letters() -> None:
    text = replace(
        NAME,
        color=(1.0, 1.0, 1.0),
        outline=Outline(3, (0.0, 0.0, 1.0)),
        shadow=Shadow(10, 20, 2, (0.1, 0.1, 0.1), 0.5),
    )
    setting = set_words(text, "Ana", SANS)
    assert setting is not None
    shadow, outline, letters = draw(text, setting, (1, 1))
    assert shadow.opacity == 0.5
    assert outline.color == (0.0, 0.0, 1.0)
    assert letters.color == (1.0, 1.0, 1.0)
    assert int((outline.mask > 128).sum()) > int((letters.mask > 128).sum())
    at_outline, at_shadow = inked((outline,)), inked((replace_opacity(shadow),))
    assert abs(at_shadow[0] - at_outline[0] - 10) <= 6
    assert abs(at_shadow[3] - at_outline[3] - 20) <= 6


def replace_opacity(ink: Ink) -> Ink:
    return replace(ink, opacity=1.0)


def test_missing_letters_are_found() -> None:
    assert missing_letters((SANS,), "Ana \u00c5ngstr\u00f6m \u0416\u03a9\u05d0") == ""
    assert missing_letters((SANS,), "A\u5b57na\u5b57\u6587") == "\u5b57\u6587"


def test_missing_letters_are_told() -> None:
    setting = set_words(NAME, "Ana \u5b57", SANS)
    assert setting is not None
    assert len(setting.warnings) == 1
    assert "\u5b57" in setting.warnings[0]
    assert "empty box" in setting.warnings[0]


def test_another_font_stands_in() -> None:
    # U+1D5A0, a letter of mathematics, is in DejaVu Sans and not in its bold (fonts of 2.37).
    only = "\U0001d5a0"
    assert missing_letters((BOLD,), only) == only
    face = Typeface(BOLD.name, BOLD.data, SANS)
    setting = set_words(NAME, f"A{only}", face)
    assert setting is not None
    # Only the letter that the font lacks comes from the other one.
    assert [(p.face.name, p.words) for p in setting.set_lines[0].pieces] == [
        (BOLD.name, "A"),
        (SANS.name, only),
    ]
    assert "so DejaVuSans.ttf is used for that" in setting.warnings[0]
    kept = set_words(NAME, "Ana", face)
    assert kept is not None
    assert [p.face for p in kept.set_lines[0].pieces] == [face]


def test_right_to_left_without_the_library_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("stream.template.bidi.features.check", lambda name: name != "raqm")
    setting = set_words(NAME, "\u05d0\u05d1", SANS)
    assert setting is not None
    assert any("FriBiDi" in w for w in setting.warnings)


def test_fonts_are_checked(tmp_path: Path) -> None:
    assert check_font(SANS.data)
    assert not check_font(b"no font")
    assert not check_font(b"")


def test_nothing_to_write() -> None:
    assert set_words(NAME, "", SANS) is None
