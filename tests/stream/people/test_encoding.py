"""In which encoding a list of names is read, and how often a guess is right."""

from __future__ import annotations

import codecs
import random
from pathlib import Path

import pytest
from charset_normalizer import from_bytes

from stream.people.encoding import CANDIDATES, decode, shown_encoding
from stream.people.errors import RosterError
from tests.stream.people.lists import NAMES, as_text, people

HERE = Path("list.csv")
ROWS = [("1", "Žofie Łąkowa", "Ważki"), ("2", "Åsa 山田", "Ωμέγα")]


def right(encoding: str, count: int, tries: int) -> tuple[int, int]:
    """Of so many lists, how many we read right, and how many the library alone does."""
    chance = random.Random(f"{encoding} {count}")
    ours = alone = 0
    for _ in range(tries):
        data = as_text(people(encoding, count, chance)).encode(encoding)
        text = data.decode(encoding)
        found = decode(data, HERE)
        assert found.guessed or data.isascii()
        ours += found.text == text
        best = from_bytes(data, cp_isolation=list(CANDIDATES), threshold=0.5).best()
        alone += best is not None and str(best) == text
    return ours, alone


def test_short_lists_in_seventeen_encodings() -> None:
    """Ours, measured: .99 of lists of 5 people, all of 25; the library alone .67 and .76."""
    tries = 12
    for count, least in ((5, 0.95), (25, 0.98)):
        found = [right(encoding, count, tries) for encoding in NAMES]
        ours = sum(o for o, _ in found) / (tries * len(NAMES))
        alone = sum(a for _, a in found) / (tries * len(NAMES))
        assert ours >= least
        assert ours > alone + 0.1, "the choice between code pages is worth its lines"


@pytest.mark.parametrize("mark", ["utf-8-sig", "utf-16", "utf-32"])
def test_a_mark_decides(mark: str) -> None:
    text = as_text(ROWS)
    found = decode(text.encode(mark), HERE)
    assert (found.text, found.guessed) == (text, False)


def test_utf_8_needs_no_mark() -> None:
    found = decode(as_text(ROWS).encode(), HERE)
    assert (found.text, found.encoding, found.guessed) == (as_text(ROWS), "utf-8", False)


@pytest.mark.parametrize("order", ["utf-16-le", "utf-16-be"])
def test_utf_16_without_its_mark(order: str) -> None:
    found = decode(as_text(ROWS).encode(order), HERE)
    assert (found.text, found.encoding) == (as_text(ROWS), order)


def test_what_the_user_says_counts() -> None:
    data = "number,name\n1,£ucja\n".encode("cp1252")
    assert "Łucja" in decode(data, HERE, "windows-1250").text
    assert "£ucja" in decode(data, HERE, "cp1252").text
    with pytest.raises(RosterError, match="line 2"):
        decode(data, HERE, "utf-8")
    for name in ("klingon", "hex", "zip", "rot13", "../x", "", "\0", "idna"):
        with pytest.raises(RosterError, match="no known encoding"):
            decode(data, HERE, name)


def test_iso_2022_jp_is_told_by_its_escapes() -> None:
    # RFC 1468: ESC $ B begins two-byte characters.
    text = as_text([("1", "秋津 翼", "三組")])
    assert b"\x1b$B" in text.encode("iso2022_jp")
    assert decode(text.encode("iso2022_jp"), HERE).text == text


@pytest.mark.parametrize(
    "data",
    [
        b"\x89PNG\r\n\x1a\n\x00\x00\x00\x0d",
        b"\x00" * 64,
        bytes(range(256)),
        codecs.BOM_UTF16_LE + b"a",
        random.Random(1).randbytes(5000),
    ],
)
def test_what_is_no_text_is_refused(data: bytes) -> None:
    with pytest.raises(RosterError):
        decode(data, HERE)


def test_names_are_shown_as_spreadsheets_write_them() -> None:
    assert shown_encoding("cp1250") == "Windows-1250"
    assert shown_encoding("utf_8_sig") == shown_encoding("utf-8") == "UTF-8"
    assert shown_encoding("iso8859_2") == "ISO-8859-2"
