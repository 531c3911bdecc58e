"""Where words may be broken into lines, and breaks that leave the lines alike in length."""

from __future__ import annotations

import functools
import unicodedata
from collections.abc import Iterator
from itertools import pairwise

# chosen: a name has ten parts at most; what has more is a paragraph and broken less finely.
_MOST_PARTS = 120
# Ideographs and syllables between which a line may end (Unicode UAX #14, classes ID and H2, H3).
_IDEOGRAPHS = ("CJK UNIFIED", "CJK COMPAT", "HIRAGANA LETTER", "KATAKANA LETTER")
_HYPHENS = "-\u2010"


def _parts_at_spaces(words: str) -> list[str]:
    return [part + " " for part in words.split(" ")]


def _ideograph(c: str) -> bool:
    return c > "\u2e7f" and unicodedata.name(c, "").startswith(_IDEOGRAPHS)


def _parts_anywhere(words: str) -> list[str]:
    """Cut at spaces, after hyphens inside a word, and between ideographs."""
    out = [""]
    for i, c in enumerate(words):
        before = words[i - 1] if i else ""
        hyphen = before in _HYPHENS and i > 1 and c.isalpha() and words[i - 2].isalpha()
        if i and (before == " " or hyphen or (_ideograph(before) and _ideograph(c))):
            out.append("")
        out[-1] += c
    return out


def _wide(part: str) -> float:
    """A rough width, for the choice among breaks; ideographs are twice as wide as letters."""
    return sum(
        0.0 if unicodedata.combining(c) else 2.0 if unicodedata.east_asian_width(c) in "WF" else 1.0
        for c in part
    )


def _alike(parts: list[str], count: int) -> tuple[str, ...]:
    """Parts in so many lines that the longest is shortest, then the others most alike."""
    while len(parts) > _MOST_PARTS:
        parts = ["".join(parts[i : i + 2]) for i in range(0, len(parts), 2)]
    sums = [0.0]
    for part in parts:
        sums.append(sums[-1] + _wide(part))

    @functools.cache
    def best(start: int, lines: int) -> tuple[float, float, tuple[int, ...]]:
        if lines == 1:
            wide = sums[-1] - sums[start]
            return wide, wide * wide, ()
        out: tuple[float, float, tuple[int, ...]] = (float("inf"), 0.0, ())
        for end in range(start + 1, len(parts) - lines + 2):
            wide = sums[end] - sums[start]
            longest, squares, ends = best(end, lines - 1)
            out = min(out, (max(wide, longest), squares + wide * wide, (end, *ends)))
        return out

    ends = (0, *best(0, count)[2], len(parts))
    return tuple("".join(parts[a:b]).strip(" ") for a, b in pairwise(ends))


def _two(parts: list[str]) -> list[tuple[str, ...]]:
    return [
        ("".join(parts[:i]).strip(" "), "".join(parts[i:]).strip(" ")) for i in range(1, len(parts))
    ]


def broken(words: str, count: int) -> Iterator[list[tuple[str, ...]]]:
    """Ways to break words into so many lines, for the caller to measure.

    Args:
        words: with single spaces.
        count: the number of lines.

    Yields:
        Ways of one kind, each the lines in order: broken at spaces, then also after hyphens and
        between ideographs.
    """
    if count == 1:
        yield [(words,)]
        return
    cuts = [_parts_at_spaces(words), _parts_anywhere(words)]
    if len(cuts[0]) == len(cuts[1]):
        cuts.pop()
    for parts in cuts:
        if len(parts) >= count:
            # Two lines are tried exactly: most long names get them.
            yield _two(parts) if count == 2 and len(parts) <= 8 else [_alike(parts, count)]
