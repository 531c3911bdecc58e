"""Fonts: whole, damaged, too large, and the letters that they have."""

from __future__ import annotations

import random
from dataclasses import replace
from pathlib import Path

import pytest

from stream.errors import UserError
from stream.template.bidi import can_order
from stream.template.inking import draw
from stream.template.loader import load_template
from stream.template.text import set_words
from stream.template.typeface import (
    MOST_FONT_BYTES,
    Typeface,
    chained,
    check_font,
    font,
    has_small_caps,
    is_heavy,
    lacks,
    missing_letters,
)
from stream.template.wording import Text
from tests.stream.template.building import PICTURE, SLOT, TEXT, folder_of
from tests.stream.template.fonts import BOLD, ONLY_SANS, SANS

BOX = Text("x", "a", (4, 4, 200, 60), "f", None, 10)
WORDS = "Ana \u00c5ngstr\u00f6m (12)"


def test_a_chain_is_asked_in_order() -> None:
    face = chained([BOLD, SANS])
    assert [f.name for f in face.chain] == [BOLD.name, SANS.name]
    assert face.stand_in is not None
    with pytest.raises(ValueError, match="need at least one"):
        chained([])


def test_missing_letters_are_those_that_no_font_has() -> None:
    assert missing_letters((BOLD,), f"A{ONLY_SANS}\u6c38 \u6c38") == f"{ONLY_SANS}\u6c38"
    assert missing_letters((BOLD, SANS), f"A{ONLY_SANS}\u6c38 \u6c38") == "\u6c38"
    # What joins and turns letters needs no shape, nor does a space.
    assert missing_letters((SANS,), "a\u200d\u200f\u00a0\u3000b") == ""


def test_what_a_font_is() -> None:
    assert is_heavy(BOLD.data)
    assert not is_heavy(SANS.data)
    assert not has_small_caps(SANS.data)


@pytest.mark.skipif(not can_order(), reason="needs the system library FriBiDi")
def test_small_capitals_of_a_font() -> None:
    fonts = Path(__file__).parents[3] / "demo_clips" / "fonts"
    assert has_small_caps((fonts / "EBGaramond12-Italic.ttf").read_bytes()) == (
        b"smcp" in (fonts / "EBGaramond12-Italic.ttf").read_bytes()
    )


def damaged(rng: random.Random) -> bytes:
    """A font with bytes changed, in its tables or anywhere, or cut short."""
    data = bytearray(SANS.data)
    end = rng.choice((400, len(data)))
    for _ in range(rng.choice((1, 8, 200))):
        data[rng.randrange(end)] = rng.randrange(256)
    return bytes(data[: rng.randrange(len(data))] if rng.random() < 0.2 else data)


def test_damaged_fonts_are_refused_or_drawn() -> None:
    rng = random.Random(3)
    drawn = 0
    for _ in range(120):
        data = damaged(rng)
        if not check_font(data):
            continue
        face = chained([Typeface("damaged.ttf", data), SANS])
        setting = set_words(BOX, WORDS, face)
        assert setting is not None
        assert setting.lines == (WORDS,)
        try:
            inks = draw(BOX, setting, (1, 1))
        except UserError:
            continue
        drawn += 1
        assert all(ink.mask.numel() < 1_000_000 for ink in inks)
    assert drawn > 10


def test_a_letter_that_cannot_be_drawn_is_lacking() -> None:
    """A glyph whose outline is damaged, in a font that is sound elsewhere."""
    # The table glyf holds shapes one after another: beyond its first tenth all is ruined.
    at = SANS.data.index(b"glyf", 0, 500)
    start = int.from_bytes(SANS.data[at + 8 : at + 12], "big")
    length = int.from_bytes(SANS.data[at + 12 : at + 16], "big")
    ruined = bytearray(SANS.data)
    ruined[start + length // 10 : start + length] = b"\x7f" * (length - length // 10)
    face = chained([Typeface("ruined.ttf", bytes(ruined)), SANS])
    assert check_font(face.data)
    far = next(chr(c) for c in range(0x400, 0x530) if lacks(face, chr(c)))
    setting = set_words(BOX, f"A{far}", face)
    assert setting is not None
    assert [p.face.name for p in setting.set_lines[0].pieces] == ["ruined.ttf", SANS.name]
    assert f"ruined.ttf has no letter {far}" in setting.warnings[0]


def test_a_font_that_fails_only_when_letters_meet_is_replaced(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    from stream.template import lines

    bad = chained([Typeface("bad.ttf", BOLD.data), SANS])
    real = lines.extent

    def fails(drawn: object, words: str, *rest: object) -> object:
        if drawn is font(bad, lines.MEASURE_PX):
            raise OSError("invalid composite glyph")
        return real(drawn, words, *rest)  # type: ignore[arg-type]

    monkeypatch.setattr(lines, "extent", fails)
    setting = set_words(BOX, "Ana", bad)
    assert setting is not None
    assert [p.face for p in setting.set_lines[0].pieces] == [bad.chain[-1]]
    assert "bad.ttf is damaged" in setting.warnings[0]


def test_a_huge_font_is_refused_unread(tmp_path: Path) -> None:
    folder = folder_of(tmp_path / "t", PICTURE + SLOT + TEXT + 'font = "fonts/big.ttf"\n')
    (folder / "fonts").mkdir()
    with (folder / "fonts" / "big.ttf").open("wb") as f:
        f.truncate(MOST_FONT_BYTES + (1 << 20))
    with pytest.raises(UserError, match=r'the font "fonts/big.ttf" has 129 MB, more than the 128'):
        load_template(folder)


def test_fallback_fonts_are_read_from_the_folder(tmp_path: Path) -> None:
    toml = PICTURE + SLOT + TEXT + 'font = "fonts/own.ttf"\nfallback = ["fonts/more.ttf"]\n'
    folder = folder_of(tmp_path / "t", toml)
    (folder / "fonts").mkdir()
    (folder / "fonts" / "own.ttf").write_bytes(BOLD.data)
    with pytest.raises(UserError, match=r'the font "fonts/more.ttf" is missing'):
        load_template(folder)
    (folder / "fonts" / "more.ttf").write_bytes(SANS.data)
    template = load_template(folder)
    setting = template.setting(template.texts[0], {"name": f"A{ONLY_SANS}"})
    assert setting is not None
    assert [p.face.name for p in setting.set_lines[0].pieces] == ["own.ttf", "more.ttf"]
    # A bold font is helped by a bold one first.
    assert [f.name for f in setting.set_lines[0].pieces[0].face.chain][2:] == [
        "DejaVuSans-Bold.ttf",
        "DejaVuSans.ttf",
    ]
    assert {"fonts/own.ttf", "fonts/more.ttf"} <= {f.name for f in template.files}
    other = load_template(folder_of(tmp_path / "u"))
    assert other.version != template.version
    assert replace(other.texts[0], fallback=("x",)).fonts == ("fonts/DejaVuSans.ttf", "x")
