"""Words in boxes: nothing is cut, nothing is lost, and what a person should look at is said."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

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


@pytest.mark.parametrize("outline", [None, Outline(4, (1, 1, 1))])
def test_ink_beyond_what_was_measured_is_drawn_whole(outline: Outline | None) -> None:
    # A script with forms for the ends of words reaches further than its letters one by one.
    text = replace(NAME, outline=outline)
    setting = set_words(text, "Ajdf", SANS)
    assert setting is not None
    true = draw(text, setting, (1, 1))
    (line,) = setting.set_lines
    left, top, right, bottom = line.ink
    small = replace(line, ink=(left + 0.6, top + 0.3, right - 0.6, bottom - 0.3))
    found = draw(text, replace(setting, set_lines=(small,)), (1, 1))
    for one, other in zip(true, found, strict=True):
        ys, xs = torch.nonzero(one.mask, as_tuple=True)
        shown = one.mask[ys.min() : ys.max() + 1, xs.min() : xs.max() + 1]
        ys, xs = torch.nonzero(other.mask, as_tuple=True)
        assert torch.equal(other.mask[ys.min() : ys.max() + 1, xs.min() : xs.max() + 1], shown)
    assert inked(found) == inked(true)


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


def test_fit_fills_the_box() -> None:
    text = replace(NAME, size=None, least=10)
    for words in ("Ana", "Wilhelmina Featherstone"):
        setting = set_words(text, words, SANS)
        assert setting is not None
        left, top, right, bottom = setting.ink
        assert max((right - left) / BOX[2], (bottom - top) / BOX[3]) == pytest.approx(1, abs=1e-6)


def test_lines_as_many_as_are_allowed() -> None:
    words = "Wilhelmina Maximiliane Featherstone Hohenbergen"
    sizes = []
    for lines in (1, 2, 3):
        setting = set_words(replace(NAME, lines=lines), words, SANS)
        assert setting is not None
        assert len(setting.lines) <= lines
        sizes.append(setting.size)
    assert sizes[0] < sizes[1]
    assert sizes[1] <= sizes[2]


def test_lines_stand_apart_by_their_spacing() -> None:
    for spacing in (1.0, 1.4):
        setting = set_words(
            replace(NAME, line_spacing=spacing), "Wilhelmina Featherstone-Okonkwo", SANS
        )
        assert setting is not None
        (_, first), (_, second) = setting.starts
        assert second - first == pytest.approx(spacing * setting.size)


def test_the_case_is_given() -> None:
    assert fill_in(replace(NAME, case="upper"), {"name": "stra\u00dfe"}) == "STRASSE"
    assert fill_in(replace(NAME, case="title"), {"name": "ANA LI"}) == "Ana Li"


def test_a_shadow_that_leaves_the_canvas_is_told() -> None:
    text = replace(NAME, shadow=Shadow(60, 0, 10, (0, 0, 0), 0.5), align="right")
    for canvas, told in (((400, 800), False), ((400, 520), True)):
        setting = set_words(text, "Ana", SANS, canvas)
        assert setting is not None
        assert any("the shadow of" in w for w in setting.warnings) == told
    # What is beyond the picture is not drawn.
    setting = set_words(text, "Ana", SANS)
    assert setting is not None
    shadow = draw(text, setting, (1, 1), (400, 520))[0]
    assert shadow.x + shadow.mask.shape[1] <= 520
    far = replace(text, shadow=Shadow(1000, 0, 0, (0, 0, 0), 1))
    assert len(draw(far, setting, (1, 1), (400, 520))) == 1


def test_a_wide_blur_keeps_the_shadow_s_weight() -> None:
    """A Gaussian moves darkness about and loses none, also where it is blurred at a small size."""
    plain = replace(NAME, size=60, shadow=Shadow(0, 0, 0, (0, 0, 0), 1))
    setting = set_words(plain, "Ana", SANS)
    assert setting is not None
    sums, middles = [], []
    for blur in (0.0, 4.0, 25.0):
        text = replace(plain, shadow=Shadow(0, 0, blur, (0, 0, 0), 1))
        shadow = draw(text, setting, (1, 1), (400, 700))[0]
        mask = shadow.mask.double()
        sums.append(float(mask.sum()))
        columns = torch.arange(mask.shape[1]) + shadow.x
        middles.append(float((mask.sum(0) * columns).sum() / mask.sum()))
    assert sums[1] == pytest.approx(sums[0], rel=0.05)
    assert sums[2] == pytest.approx(sums[0], rel=0.1)
    assert middles == pytest.approx([middles[0]] * 3, abs=1.5)


def test_a_huge_shadow_of_a_small_canvas_is_drawn() -> None:
    text = replace(NAME, shadow=Shadow(0, 0, 1000, (0, 0, 0), 1))
    setting = set_words(text, "Ana", SANS)
    assert setting is not None
    shadow = draw(text, setting, (8, 8), (2000, 3000))[0]
    assert tuple(shadow.mask.shape) <= (2000, 3000)


@pytest.mark.parametrize(
    "change",
    [
        {"size": None},
        {"tracking": 150.0},
        {"align": "left", "valign": "top", "outline": Outline(6, (0, 0, 0))},
    ],
)
@pytest.mark.parametrize(
    "words", ["Ana J\u00e1rfa", "Wilhelmina Featherstone-Okonkwo", "\u05e9\u05d9 7"]
)
def test_the_preview_is_the_print_made_smaller(change: dict[str, Any], words: str) -> None:
    """Letter by letter in the same place: the print averaged down is what the preview shows."""
    text = replace(NAME, box=(100.0, 48.0, 400.0, 120.0), **change)
    setting = set_words(text, words, SANS)
    assert setting is not None
    pictures = []
    for scale in (1, 4):
        canvas = torch.zeros(1, 1, 200 * scale, 600 * scale)
        for ink in draw(text, setting, (scale, scale)):
            h, w = ink.mask.shape
            canvas[0, 0, ink.y : ink.y + h, ink.x : ink.x + w] += ink.mask / 255.0
        pictures.append(torch.nn.functional.avg_pool2d(canvas, scale))
    preview, print_ = pictures
    assert float((preview - print_).abs().sum() / print_.sum()) < 0.06
    # The bound says something: one pixel aside would change more.
    moved = (preview[..., 1:] - preview[..., :-1]).abs().sum() / preview.sum()
    assert float(moved) > 0.06
    # And the ink's middle is where it is in print, to a quarter of a pixel.
    for axis in (2, 3):
        places = torch.arange(preview.shape[axis]).view([-1 if i == axis else 1 for i in range(4)])
        at = [float((image * places).sum() / image.sum()) for image in pictures]
        assert at[0] == pytest.approx(at[1], abs=0.25)
