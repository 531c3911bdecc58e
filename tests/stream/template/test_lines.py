"""One line: fonts, order, joining and spacing, against an independent shaper (HarfBuzz)."""

from __future__ import annotations

from dataclasses import replace

import pytest
import torch

from models.flatten import Ink
from stream.template.bidi import can_order
from stream.template.inking import draw
from stream.template.lines import advance, clusters, extent, joins, lay
from stream.template.text import set_words
from stream.template.typeface import font
from stream.template.wording import Text
from tests.stream.template.fonts import BOLD, BOLD_THEN_SANS, ONLY_SANS, SANS

hb = pytest.importorskip("uharfbuzz")

# Its letters are far narrower joined than alone.
ARABIC = "\u0628\u064a\u0628\u064a"
HEBREW = "\u05e9\u05d9\u05e8\u05d4"
LATIN = "AVATo\u0308 Ty"
BOX = Text("x", "a", (10, 10, 700, 120), "f", 90, 10)


def shaped(words: str, leftward: bool, liga: bool = True) -> tuple[float, list[int]]:
    """Advance in letter sizes, and each glyph's place in the words, from left to right."""
    buffer = hb.Buffer()
    buffer.add_str(words)
    buffer.guess_segment_properties()
    buffer.direction = "rtl" if leftward else "ltr"
    font = hb.Font(hb.Face(SANS.data))
    hb.shape(font, buffer, {} if liga else {"liga": False, "clig": False})
    wide = sum(p.x_advance for p in buffer.glyph_positions) / font.face.upem
    return wide, [g.cluster for g in buffer.glyph_infos]


@pytest.mark.skipif(not can_order(), reason="needs the system library FriBiDi")
@pytest.mark.parametrize(
    ("words", "leftward"), [(LATIN, False), ("office", False), (HEBREW, True), (ARABIC, True)]
)
def test_advances_are_the_shaper_s(words: str, leftward: bool) -> None:
    assert advance(SANS, words, leftward, ()) == pytest.approx(shaped(words, leftward)[0], abs=0.01)


@pytest.mark.skipif(not can_order(), reason="needs the system library FriBiDi")
@pytest.mark.parametrize(("words", "leftward"), [(LATIN, False), (HEBREW, True)])
def test_letters_set_one_by_one_stand_where_the_shaper_puts_them(
    words: str, leftward: bool
) -> None:
    line = lay(words, SANS, leftward, tracking=100)
    parts = clusters(words)
    order = shaped(words, leftward, liga=False)[1]
    starts = [sum(map(len, parts[:i])) for i in range(len(parts))]
    seen = [parts[starts.index(place)] for place in dict.fromkeys(order) if place in starts]
    assert [p.words for p in line.pieces] == seen
    # The last letter starts a whole line's advance less its own, plus the room between letters.
    last = line.pieces[-1]
    room = 0.1 * (len(parts) - 1)
    alone = shaped(last.words, leftward)[0]
    assert last.x == pytest.approx(shaped(words, leftward)[0] - alone + room, abs=0.02)


@pytest.mark.skipif(not can_order(), reason="needs the system library FriBiDi")
def test_letters_that_join_are_not_torn_apart() -> None:
    line = lay(f"{ARABIC} {ARABIC}", SANS, True, tracking=500)
    assert [p.words for p in line.pieces] == [ARABIC, " ", ARABIC]
    wide = line.pieces[1].x - line.pieces[0].x - 0.5
    joined, alone = shaped(ARABIC, True)[0], sum(shaped(c, True)[0] for c in ARABIC)
    assert abs(joined - alone) > 0.1
    assert wide == pytest.approx(joined, abs=0.02)


def test_what_joins() -> None:
    assert all(map(joins, ARABIC))
    assert joins("\u0915")
    alone = f"A\u00e9\u03a9\u0416{HEBREW}\u6c38\uac00\u304b7-( {ONLY_SANS}"
    assert not any(map(joins, alone))
    # A letter keeps its marks, and what a joiner binds.
    assert clusters("e\u0323\u0301a\u200db\u200e") == ["e\u0323\u0301", "a\u200db\u200e"]


def pieces(words: str, leftward: bool = False) -> list[tuple[str, str]]:
    line = lay(words, BOLD_THEN_SANS, leftward)
    return [(p.face.name, p.words) for p in line.pieces]


def test_only_the_letter_that_is_missing_comes_from_another_font() -> None:
    bold, sans = BOLD.name, SANS.name
    assert pieces("Ana") == [(bold, "Ana")]
    assert pieces(f"A {ONLY_SANS} b") == [(bold, "A "), (sans, f"{ONLY_SANS} "), (bold, "b")]
    # A letter takes its marks along.
    marked = f"{ONLY_SANS}\u0301"
    assert pieces(f"a{marked}b") == [(bold, "a"), (sans, marked), (bold, "b")]


def test_what_no_font_has_is_drawn_by_the_last() -> None:
    assert pieces("A\u6c38") == [(BOLD.name, "A"), (SANS.name, "\u6c38")]


@pytest.mark.skipif(not can_order(), reason="needs the system library FriBiDi")
def test_fonts_change_inside_a_line_that_runs_to_the_left() -> None:
    seen = pieces(f"{HEBREW} {ONLY_SANS} 12", leftward=True)
    # The letter runs to the right, and the number goes with it (UAX #9, rule W7).
    names = [(name, words.strip()) for name, words in seen if words.strip()]
    assert names == [(SANS.name, ONLY_SANS), (BOLD.name, "12"), (names[-1][0], HEBREW)]


def test_without_the_order_a_line_is_not_cut(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("stream.template.bidi._library", lambda: None)
    lay.cache_clear()
    words = f"{HEBREW} {ONLY_SANS}"
    line = lay(words, BOLD_THEN_SANS, True, tracking=100)
    assert [(p.face.name, p.words) for p in line.pieces] == [(SANS.name, words)]
    assert len(lay(f"A{ONLY_SANS}", BOLD_THEN_SANS, False, tracking=100).pieces) == 2
    lay.cache_clear()


def picture(inks: tuple[Ink, ...]) -> torch.Tensor:
    out = torch.zeros(150, 720)
    for ink in inks:
        h, w = ink.mask.shape
        out[ink.y : ink.y + h, ink.x : ink.x + w] += ink.mask / 255.0
    return out


@pytest.mark.skipif(not can_order(), reason="needs the system library FriBiDi")
@pytest.mark.parametrize("direction", ["auto", "ltr", "rtl"])
@pytest.mark.parametrize(
    "words",
    [f"ana {HEBREW} 12", f"{HEBREW} (ana) 7", f"{ARABIC} ana", f"a-{HEBREW}-b (12)", "AVAjo"],
)
def test_pieces_lie_as_the_whole_line_does(words: str, direction: str) -> None:
    """Ordered here, letter by letter, and by Pillow in one go: the same picture."""
    whole = replace(BOX, direction=direction)
    apart = replace(whole, tracking=1e-6)
    a, b = set_words(whole, words, SANS), set_words(apart, words, SANS)
    assert a is not None
    assert b is not None
    assert len(b.set_lines[0].pieces) > len(a.set_lines[0].pieces)
    one, other = picture(draw(whole, a, (1, 1))), picture(draw(apart, b, (1, 1)))
    assert float((one - other).abs().sum() / one.sum()) < 0.06
    # Letters in another order would differ by far more.
    assert float((one - one.flip(1)).abs().sum() / one.sum()) > 0.3


def test_letters_of_two_fonts_stand_on_one_baseline() -> None:
    text = replace(BOX, align="left")
    # Both are flat at the foot.
    setting = set_words(text, f"H{ONLY_SANS}", BOLD_THEN_SANS)
    assert setting is not None
    ink = draw(text, setting, (1, 1))[-1].mask
    columns = torch.nonzero(ink.amax(0) > 128).flatten()
    feet = [int(torch.nonzero(ink[:, c] > 128).max()) for c in (columns[3], columns[-4])]
    assert abs(feet[0] - feet[1]) <= 1


def test_tracking_widens_by_its_thousandths() -> None:
    plain, wide = lay("HHHH", SANS, False), lay("HHHH", SANS, False, tracking=250)
    grown = (wide.ink[2] - wide.ink[0]) - (plain.ink[2] - plain.ink[0])
    assert grown == pytest.approx(3 * 0.25, abs=0.02)


def test_ink_is_measured_as_it_is_drawn() -> None:
    """Measured from single letters; drawn whole at a large size."""
    for words in ("jAnefj", "\u00c5ngstr\u00f6mq", "Wolf-(Ty)", "f\u1eb4lf\u1eb4"):
        drawn = extent(font(SANS, 512), words, False)
        for got, want in zip(lay(words, SANS, False).ink, drawn, strict=True):
            assert got == pytest.approx(want / 512, abs=0.015)
