"""Bytes of a text file to text: told by its marks, by Unicode's own rules, or guessed.

A guess between code pages is the library's for the script (charset-normalizer), and ours between
the code pages of one script, where short lists of names mislead it: a right reading is one in which
every word can be spelled in one language. Measured on invented lists in 17 encodings, right letters
all through: .99 of lists of 5 people and all of 25; the library alone .67 and .76
(`tests/stream/people/test_encoding.py`).

The letters of the languages are the main exemplar characters of Unicode CLDR, from memory, without
letters that names hardly have.
"""

from __future__ import annotations

import codecs
import re
import unicodedata
from dataclasses import dataclass
from pathlib import Path

from charset_normalizer import from_bytes

from stream.people.errors import RosterError

MARKS = (
    (codecs.BOM_UTF8, "utf-8-sig"),
    (codecs.BOM_UTF32_LE, "utf-32"),
    (codecs.BOM_UTF32_BE, "utf-32"),
    (codecs.BOM_UTF16_LE, "utf-16"),
    (codecs.BOM_UTF16_BE, "utf-16"),
)
# Those that spreadsheets and school programs save in; the library chooses among them alone.
CANDIDATES = (
    "cp1252", "cp1250", "cp1251", "cp1253", "cp1254", "cp1255", "cp1256", "cp1257", "cp1258",
    "mac_roman", "cp850", "cp852", "cp866", "iso8859_15", "iso8859_2", "iso8859_5", "iso8859_7",
    "koi8_r", "cp932", "gb18030", "big5", "cp949", "euc_jp",
)  # fmt: skip
# Code pages of one script, the commonest first.
LATIN = (
    "cp1252", "cp1250", "cp1254", "cp1257", "iso8859_2", "mac_roman", "cp850", "cp852", "cp1258",
)  # fmt: skip
GREEK = ("cp1253", "iso8859_7")
CYRILLIC = ("cp1251", "koi8_r", "iso8859_5", "cp866")
# The codes of each standard's common characters (level 1 of JIS X 0208, GB 2312 and Big5, and
# the Hangul of KS X 1001): names are written with these, a wrong reading seldom is. From memory.
COMMON = {
    "cp932": (0x889F, 0x9872),
    "gb18030": (0xB0A1, 0xD7F9),
    "big5": (0xA440, 0xC67E),
    "cp949": (0xB0A1, 0xC8FE),
    "euc_jp": (0xB0A1, 0xCFD3),
}
_WEST = (
    "àâæçéèêëîïôœùûüÿ", "äöüßéá", "áéíñóúüç", "àáâãçéêíóôõú", "àèéìíòóùú", "áéëïíóöúü", "åäöéü",
    "æøåéöü", "áðéíóúýþæö", "àçèéíïòóúüñ", "äöåšž",
)  # fmt: skip
_EAST = (
    "ąćęłńóśźż", "áčďéěíňóřšťúůýž", "áäčďéíľňóôšťúýž", "áéíóöőúüű", "čćđšž", "ăâîşţ", "äöüßé",
    "çë",
)  # fmt: skip
LETTERS: dict[str, tuple[str, ...]] = {
    "cp1252": _WEST,
    "mac_roman": _WEST,
    "cp850": _WEST,
    "cp1250": _EAST,
    "iso8859_2": _EAST,
    "cp852": _EAST,
    "cp1254": ("çğıöşüâîû", "äöüßé"),
    "cp1257": ("āčēģīķļņšūž", "ąčęėįšųūž", "äõöüšž"),
    "cp1258": ("àáâăãèéêìíòóôơõùúưýđ",),
}
_WORD = re.compile(r"[^\s\x00-\x26\x28-\x2c\x2e-\x40\x5b-\x60\x7b-\x7f]*[^\x00-\x7f]\S*")
# Enough to tell; a file of any size is then judged in the same time.
JUDGED_BYTES = 100_000
JUDGED_WORDS = 2000


@dataclass(frozen=True)
class Decoded:
    """A file's text, the encoding that it was read in, and whether that was a guess."""

    text: str
    encoding: str
    guessed: bool


def known_encoding(name: str) -> str:
    """The name of a text encoding as Python has it.

    Raises:
        RosterError: there is none of that name.
    """
    plain = name.strip().lower()
    plain = {"ansi": "cp1252", "macintosh": "mac_roman", "shift-jis": "cp932"}.get(plain, plain)
    plain = re.sub(r"^windows[ _-]?(\d+)$", r"cp\1", plain)
    try:
        found = codecs.lookup(plain)
        "a".encode(found.name)  # hex, zip and their like are no encodings of text
        if re.search(r"idna|punycode|escape|undefined", found.name):
            raise LookupError
    except (LookupError, UnicodeError, ValueError, TypeError):
        raise RosterError(
            f"'{name}' is no known encoding; give one such as utf-8, windows-1252, windows-1250, "
            "mac-roman, shift_jis or gb18030."
        ) from None
    return found.name


def shown_encoding(name: str) -> str:
    """An encoding's name as spreadsheet programs write it."""
    plain = name.replace("_sig", "").replace("-sig", "").upper().replace("_", "-")
    return re.sub(r"^CP(125\d)$", r"Windows-\1", plain).replace("ISO8859", "ISO-8859")


def decode(data: bytes, path: Path, stated: str | None = None) -> Decoded:
    """The text of a file.

    Args:
        data: the whole file.
        path: for the messages.
        stated: the encoding, where the user has said it.

    Raises:
        RosterError: it is no text, or not in the stated encoding.
    """
    mark = next((e for m, e in MARKS if data.startswith(m)), None)
    if stated is not None:
        return Decoded(_strict(data, path, known_encoding(stated)), known_encoding(stated), False)
    if mark:
        return Decoded(_strict(data, path, mark), mark, False)
    if b"\0" in data:
        return _unmarked_wide(data, path)
    if b"\x1b$" in data and data.isascii():
        return Decoded(_strict(data, path, "iso2022_jp"), "iso2022_jp", True)
    try:
        return Decoded(data.decode("utf-8"), "utf-8", False)
    except UnicodeDecodeError:
        pass
    best = _guess(data)
    if best is None:
        raise _no_text(path)
    return Decoded(_strict(data, path, best), best, True)


def _no_text(path: Path) -> RosterError:
    return RosterError(
        f"{path} is no text that can be read as a roster; save it from the spreadsheet as "
        "'CSV UTF-8' or XLSX and try again."
    )


def _strict(data: bytes, path: Path, encoding: str) -> str:
    name = "utf-8-sig" if encoding == "utf-8" else encoding
    if encoding == "utf-16" and data[:2] not in (codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE):
        name = "utf-16-le"
    try:
        text = data.decode(name)
    except UnicodeDecodeError as e:
        line = data[: e.start].count(b"\n") + 1
        raise RosterError(
            f"{path} is not in the encoding {shown_encoding(encoding)} (line {line} cannot be read "
            "in it); leave the encoding out, or give another."
        ) from None
    if "\0" in text:
        raise _no_text(path)
    return text.removeprefix("\ufeff")


def _unmarked_wide(data: bytes, path: Path) -> Decoded:
    """UTF-16 without its mark: of a comma or a line's end, one byte is zero."""
    even, odd = data[::2].count(0), data[1::2].count(0)
    encoding = "utf-16-le" if odd > even else "utf-16-be"
    try:
        text = data.decode(encoding)
    except UnicodeDecodeError:
        raise _no_text(path) from None
    odd_ones = sum(unicodedata.category(c) in ("Cc", "Cn", "Co") for c in text)
    if "\0" in text or odd_ones > text.count("\n") + text.count("\r") + text.count("\t"):
        raise _no_text(path)
    return Decoded(text, encoding, True)


def _guess(data: bytes) -> str | None:
    # Whole lines, so that no letter of several bytes is cut.
    part = data[:JUDGED_BYTES]
    if len(data) > JUDGED_BYTES and b"\n" in part:
        part = part[: part.rindex(b"\n")]
    found = from_bytes(part, cp_isolation=list(CANDIDATES), threshold=0.5).best()
    best = found.encoding if found else "cp1252"
    for family in (GREEK, CYRILLIC, LATIN):
        if best in family or (family is LATIN and best == "iso8859_15"):
            ranked = [(_fit(part, e), -i, e) for i, e in enumerate(family)]
            fit, _, best = max(ranked)
            if fit < 0:
                return None
    if best in COMMON:
        # The library's own choice wins a tie.
        best = max(COMMON, key=lambda e: (_common(part, e), e == best))
    if best in CYRILLIC and not any(c.isupper() and ord(c) > 0x7F for c in part.decode(best)):
        # Names without a capital are not Cyrillic; Hebrew has none and the same bytes.
        best = "cp1255" if _fit(part, "cp1255") == 1 else best
    try:
        data.decode(best)
    except UnicodeDecodeError:
        return None
    return best


def _fit(data: bytes, encoding: str) -> float:
    """How likely a reading is: the share of words that can be so; below 0 where it is none."""
    try:
        text = data.decode(encoding)
    except UnicodeDecodeError:
        return -1.0
    if any(unicodedata.category(c) == "Cc" and c not in "\r\n\t" for c in text):
        return -1.0
    words = [w.strip("\"';,|.:()") for w in _WORD.findall(text)[:JUDGED_WORDS]]
    words = [part for w in words for part in re.split(r"[-,;|'’.\"]+", w) if not part.isascii()]
    alphabets = LETTERS.get(encoding)
    good = sum(_can_be(w, alphabets) for w in words)
    return good / max(len(words), 1)


def _common(data: bytes, encoding: str) -> float:
    """The share of letters beyond ASCII that are common ones of East Asian names."""
    try:
        text = data.decode(encoding)
    except UnicodeDecodeError:
        return -1.0
    letters = [c for c in text if ord(c) > 0x7F][: 10 * JUDGED_WORDS]
    low, high = COMMON[encoding]
    japanese = encoding in ("cp932", "euc_jp")
    good = sum(
        low <= int.from_bytes(c.encode(encoding)) <= high
        or (japanese and "\u3041" <= c <= "\u30fe")
        for c in letters
    )
    return good / max(len(letters), 1)


def _can_be(word: str, alphabets: tuple[str, ...] | None) -> bool:
    plain = unicodedata.normalize("NFC", word)
    if not all(c.isalpha() or unicodedata.combining(c) for c in plain):
        return False
    # A capital after a small letter: hardly ever where a right reading has it.
    if not (plain[1:].islower() or plain.isupper() or len(plain) == 1 or not plain[1:]):
        return False
    if alphabets is None:
        return True
    special = {c for c in plain.lower() if ord(c) > 0x7F and not unicodedata.combining(c)}
    return any(special <= set(a) for a in alphabets)
