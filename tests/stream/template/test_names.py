"""Two thousand names of nobody: none overflows, none gets too small in silence."""

from __future__ import annotations

import math
import unicodedata
from dataclasses import replace

import pytest
import torch
from hypothesis import given, settings
from hypothesis import strategies as st

from models.flatten import Ink
from stream.template.inking import draw
from stream.template.text import fill_in, set_words
from stream.template.wording import Outline, Shadow, Text
from tests.stream.template.fonts import BOLD_THEN_SANS
from tests.stream.template.people import SCRIPTS, names

BOX = (20.0, 15.0, 260.0, 44.0)
PLAIN = Text("{name}", "frame", BOX, "f", 30, 16)
STYLES = (
    PLAIN,
    replace(PLAIN, least=19, outline=Outline(2, (1, 1, 1)), align="left", valign="top"),
    replace(PLAIN, size=None, tracking=120, align="right", valign="bottom"),
    replace(PLAIN, shadow=Shadow(3, 4, 2, (0, 0, 0), 0.5), lines=3, case="upper"),
    replace(PLAIN, size=None, least=20, lines=1, direction="rtl", line_spacing=0.9),
)
NAMES = names(2000, seed=11)


def ink_of(ink: Ink) -> tuple[int, int, int, int]:
    ys = torch.nonzero(ink.mask.amax(1)).flatten()
    xs = torch.nonzero(ink.mask.amax(0)).flatten()
    return (
        ink.x + int(xs.min()),
        ink.y + int(ys.min()),
        ink.x + int(xs.max()) + 1,
        ink.y + int(ys.max()) + 1,
    )


def in_box(ink: Ink, scale: float) -> bool:
    left, top, right, bottom = ink_of(ink)
    x, y, w, h = (v * scale for v in BOX)
    return (
        left >= math.floor(x)
        and top >= math.floor(y)
        and right <= math.ceil(x + w)
        and bottom <= math.ceil(y + h)
    )


@pytest.mark.parametrize("style", range(len(STYLES)))
def test_two_thousand_names(style: int) -> None:
    text = STYLES[style]
    scale = (0.5, 1.0, 1.37)[style % 3]
    several = small = 0
    for name in NAMES[style :: len(STYLES)]:
        words = fill_in(text, {"name": name})
        setting = set_words(text, words, BOLD_THEN_SANS)
        assert setting is not None
        # Whole: every letter stands in some line, in its order.
        assert "".join(setting.lines).replace(" ", "") == words.replace(" ", "")
        several += len(setting.lines) > 1
        small += setting.tight
        assert len(setting.lines) <= text.lines
        if setting.size < text.least * 0.999:
            assert any("does not fit its box" in w for w in setting.warnings)
        else:
            assert not setting.tight
        if text.size is not None:
            assert setting.size <= text.size
        for ink in draw(text, setting, (scale, scale))[text.shadow is not None :]:
            assert in_box(ink, scale), words
        lacking = {c for c in words if unicodedata.name(c, "").startswith(("CJK", "HANGUL"))}
        assert lacking <= set(setting.missing)
        if setting.missing:
            assert any("no font has the letter" in w for w in setting.warnings)
    # The names are hard enough to try all of it.
    assert small > 10
    assert several > 10 or text.lines == 1


def test_the_names_hold_every_script_and_are_always_the_same() -> None:
    assert names(50, seed=11) == NAMES[:50]
    said = {unicodedata.name(c, "?").split(" ")[0] for name in NAMES for c in name}
    assert {"LATIN", "GREEK", "CYRILLIC", "HEBREW", "ARABIC", "CJK", "KATAKANA", "HANGUL"} <= said
    assert len(SCRIPTS) == 8


@settings(max_examples=60, deadline=None)
@given(st.text(max_size=40), st.sampled_from(STYLES))
def test_any_words(name: str, text: Text) -> None:
    words = fill_in(text, {"name": name})
    setting = set_words(text, words, BOLD_THEN_SANS, (80, 300))
    if setting is None:
        assert not words
        return
    for ink in draw(text, setting, (1, 1), (80, 300))[text.shadow is not None :]:
        assert not int(ink.mask.max()) or in_box(ink, 1)


def test_a_whole_page_in_a_column_is_no_crash() -> None:
    for words in ("ab " * 3000, "W" * 9000, "\u05d0\u05d1 " * 2000):
        setting = set_words(PLAIN, words.strip(), BOLD_THEN_SANS)
        assert setting is not None
        assert setting.tight
        assert draw(PLAIN, setting, (1, 1))
