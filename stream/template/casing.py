"""Capitals and small letters of a text, by Unicode's rules that hang on no language."""

from __future__ import annotations

import re

CASES = ("as written", "upper", "lower", "title", "small caps")
_WORD = re.compile(r"[^\s\-‐‑–—/&+()]+")
# After an apostrophe a capital follows where a name goes on (O'Neil), not for a short ending.
_AFTER = re.compile(r"(?<=['’])\w(?=\w\w)")


def _title(match: re.Match[str]) -> str:
    word = match.group()
    cased = [c for c in word if c.upper() != c.lower()]
    # McDonald was written on purpose; MCDONALD came from a list in capitals.
    if len(cased) > 1 and all(c != c.lower() for c in cased):
        word = _AFTER.sub(lambda m: m.group().title(), word.lower())
    for i, c in enumerate(word):
        if c.isalpha():
            return word[:i] + c.title() + word[i + 1 :]
    return word


def set_case(words: str, case: str) -> str:
    """Words in the case that a text asks for.

    Args:
        words: as filled in.
        case: one of `CASES`. "title" gives each word a capital; the rest of a word stays as it is
            written unless the word is all capitals. "small caps" is up to the font.
    """
    if case == "upper":
        return words.upper()
    if case == "lower":
        return words.lower()
    return _WORD.sub(_title, words) if case == "title" else words
