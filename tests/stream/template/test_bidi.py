"""Order of letters, against the examples of the Unicode Bidirectional Algorithm (UAX #9)."""

from __future__ import annotations

import pytest

from stream.template.bidi import (
    can_order,
    has_right_to_left,
    levels,
    runs_left,
    visual_order,
)

needs_fribidi = pytest.mark.skipif(not can_order(), reason="needs the system library FriBiDi")


def rtl(words: str) -> str:
    """Capitals stand for letters that run to the left, as in the annex; here Hebrew ones."""
    return "".join(chr(0x5D0 + ord(c) - 65) if c.isupper() else c for c in words)


def back(words: str) -> str:
    return "".join(chr(ord(c) - 0x5D0 + 65) if c >= "\u05d0" else c for c in words)


@needs_fribidi
@pytest.mark.parametrize(
    ("words", "leftward", "seen"),
    [
        # UAX #9, section 3.4, rule L2.
        ("car means CAR.", False, "car means RAC."),
        ("car MEANS CAR.", True, ".RAC SNAEM car"),
        # Numbers keep their order inside letters that run to the left (rules W2, I2).
        ("NO 12 B", True, "B 12 ON"),
        ("ana CB 12", False, "ana 12 BC"),
        # Brackets follow what they hold on to (rule N0); their shapes are mirrored in drawing.
        ("ana (AB) v", False, "ana (BA) v"),
    ],
)
def test_the_order_on_paper(words: str, leftward: bool, seen: str) -> None:
    given = rtl(words)
    order = visual_order(list(levels(given, leftward)))
    assert back("".join(given[i] for i in order)) == seen


def test_the_first_letter_decides() -> None:
    """Rule P2: neither digits nor signs do."""
    assert not runs_left("ana \u05d0", "auto")
    assert runs_left("12 (\u05d0) ana", "auto")
    assert not runs_left("12", "auto")
    assert runs_left("ana", "rtl")
    assert not runs_left("\u05d0", "ltr")
    assert has_right_to_left("ana \u0627")
    assert not has_right_to_left("ana 12")
    # Nor what stands between an isolate's marks, or after one that is never closed.
    assert runs_left("\u2068ana\u2069 \u05d0 ana", "auto")
    assert not runs_left("\u2067\u05d0 \u2066\u05d0\u2069 \u05d0\u2069 ana", "auto")
    assert not runs_left("\u2067\u05d0", "auto")
    assert runs_left("\u2069\u05d0 ana", "auto")


def test_nothing_to_order() -> None:
    assert levels("", False) == ()
    assert visual_order([]) == []
    assert levels("ana", False) == (0, 0, 0)


def test_without_the_library_letters_keep_their_order(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("stream.template.bidi._library", lambda: None)
    assert levels("\u05d0a", False) == (0, 0)
