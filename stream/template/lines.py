"""One line of letters: which font draws each, where it stands, and how far its ink reaches.

Letters that a font lacks come from the next one, letter by letter; in scripts whose letters join
(Arabic and others) the whole run of them, so that they stay joined. All stand on one baseline.
Tracking spaces letters out, never those that join; it switches off optional ligatures (as CSS Text
Module Level 3, section 8.2, has it).
"""

from __future__ import annotations

import functools
import re
import unicodedata
from dataclasses import dataclass
from itertools import groupby

from PIL import ImageFont

from stream.template.bidi import can_cut, can_order, has_right_to_left, levels, visual_order
from stream.template.typeface import Typeface, font, lacks, shows

Extent = tuple[float, float, float, float]
"""Left, top, right, bottom of ink from the start of the baseline; top is negative."""

# chosen: advances are exact, ink is known to 1/128 of a letter, outward.
MEASURE_PX = 128
# Beyond so many letters a line is measured smaller, so that what is drawn for it stays small.
_LONG = 400

# The scripts whose letters stand alone, by the first word of a letter's Unicode name. Any other may
# join (cursive scripts: CSS Text Module Level 3, appendix D; those of India have a common line).
_ALONE = re.compile(
    "(?:LATIN|GREEK|CYRILLIC|HEBREW|ARMENIAN|GEORGIAN|COPTIC|CHEROKEE|ETHIOPIC|RUNIC|GOTHIC|"
    "GLAGOLITIC|CJK|HIRAGANA|KATAKANA|HANGUL|BOPOMOFO|FULLWIDTH|HALFWIDTH|IDEOGRAPHIC|MODIFIER|"
    "MATHEMATICAL|DOUBLE-STRUCK|SCRIPT|BLACK-LETTER|MICRO|FEMININE|MASCULINE|KELVIN|ANGSTROM|OHM)"
    r"\b"
)
_JOINER = "\u200d"


@dataclass(frozen=True)
class Piece:
    """Letters of one font that run one way; x is where they start, in letter sizes."""

    face: Typeface
    words: str
    leftward: bool
    x: float


@dataclass(frozen=True)
class Line:
    """Letters on one baseline.

    Attributes:
        words: in logical order.
        pieces: from left to right.
        features: OpenType features, as Pillow takes them.
        ink: of all of it, in letter sizes.
    """

    words: str
    pieces: tuple[Piece, ...]
    features: tuple[str, ...]
    ink: Extent


def way(leftward: bool) -> str | None:
    """The direction as Pillow takes it."""
    return ("rtl" if leftward else "ltr") if can_order() else None


def extent(
    drawn: ImageFont.FreeTypeFont, words: str, leftward: bool, features: tuple[str, ...] = ()
) -> tuple[int, int, int, int]:
    """The ink of words in pixels. Pillow's own ``getbbox`` counts the room beside letters in."""
    chosen = list(features) if features and can_order() else None
    mask, (x, y) = drawn.getmask2(words, "L", direction=way(leftward), features=chosen, anchor="ls")
    box = mask.getbbox()
    return (0, 0, 0, 0) if box is None else (x + box[0], y + box[1], x + box[2], y + box[3])


@functools.lru_cache(maxsize=1 << 14)
def advance(face: Typeface, words: str, leftward: bool, features: tuple[str, ...]) -> float:
    """How far the pen moves over words, in letter sizes."""
    chosen = list(features) if features and can_order() else None
    length = font(face, MEASURE_PX).getlength(words, direction=way(leftward), features=chosen)
    return float(length) / MEASURE_PX


@functools.lru_cache(maxsize=1 << 14)
def _rendered(face: Typeface, words: str, leftward: bool, features: tuple[str, ...]) -> Extent:
    px = MEASURE_PX if len(words) <= _LONG else max(4, MEASURE_PX * _LONG // len(words))
    left, top, right, bottom = extent(font(face, px), words, leftward, features)
    return (left / px, top / px, right / px, bottom / px)


@functools.lru_cache(maxsize=1 << 14)
def measured(face: Typeface, words: str, leftward: bool, features: tuple[str, ...] = ()) -> Extent:
    """The ink of words in letter sizes.

    Letters that stand alone and run to the right are measured one by one, each only once: a roster
    of two thousand names has few. To a side only the two outermost can reach furthest.
    """
    parts = clusters(words)
    if len(parts) < 3 or leftward or has_right_to_left(words) or any(map(joins, parts)):
        return _rendered(face, words, leftward, features)
    heights = [_rendered(face, part, False, features) for part in dict.fromkeys(parts)]
    head, tail = "".join(parts[:2]), "".join(parts[-2:])
    start = advance(face, words, False, features) - advance(face, tail, False, features)
    return (
        _rendered(face, head, False, features)[0],
        min(ink[1] for ink in heights),
        start + _rendered(face, tail, False, features)[2],
        max(ink[3] for ink in heights),
    )


def clusters(words: str) -> list[str]:
    """Letters with the marks that belong to them."""
    out: list[str] = []
    for c in words:
        belongs = (
            unicodedata.category(c).startswith("M")
            or unicodedata.category(c) == "Cf"
            or "\u1160" <= c <= "\u11ff"
        )
        if out and (belongs or out[-1].endswith(_JOINER)):
            out[-1] += c
        else:
            out.append(c)
    return out


@functools.lru_cache(maxsize=1 << 14)
def joins(cluster: str) -> bool:
    """Whether a letter may be joined to the next one."""
    if not unicodedata.category(cluster[0]).startswith("L"):
        return False
    return not _ALONE.match(unicodedata.name(cluster[0], ""))


def _units(words: str) -> list[list[str]]:
    """What has to come from one font: single letters, and runs of letters that join."""
    out: list[list[str]] = []
    for joined, run in groupby(clusters(words), joins):
        parts = list(run)
        out += [parts] if joined else [[c] for c in parts]
    return out


def _face_for(chain: tuple[Typeface, ...], unit: str) -> Typeface:
    letters = [c for c in unit if shows(c)]
    short = [sum(lacks(face, c) for c in letters) for face in chain]
    if 0 in short:
        return chain[short.index(0)]
    # None has it all. The last font is one of the program's own, whose empty box can be drawn.
    return chain[len(chain) - 1 - short[::-1].index(min(short))]


def faced(words: str, face: Typeface) -> list[tuple[Typeface, list[str]]]:
    """Words cut into what comes from one font, in logical order, each as its clusters."""
    if not any(lacks(face, c) for c in set(words) if shows(c)):
        return [(face, clusters(words))]
    out: list[tuple[Typeface, list[str]]] = []
    for unit in _units(words):
        letters = "".join(unit)
        blank = not any(shows(c) for c in letters)
        chosen = out[-1][0] if blank and out else _face_for(face.chain, letters)
        if out and out[-1][0] is chosen:
            out[-1][1].extend(unit)
        else:
            out.append((chosen, list(unit)))
    return out


def _cut(
    words: str, face: Typeface, leftward: bool, spaced: bool
) -> list[tuple[Typeface, str, int]]:
    """Pieces in logical order: font, letters, level."""
    if not can_cut(words, leftward):
        # One font and Pillow's order are better than letters in the wrong order.
        return [(_face_for(face.chain, words), words, int(leftward))]
    runs = faced(words, face)
    if len(runs) == 1 and not spaced:
        return [(runs[0][0], words, int(leftward))]
    at_level = levels(words, leftward)
    out: list[tuple[Typeface, str, int]] = []
    place = 0
    for chosen, parts in runs:
        open_run = False
        for part in parts:
            level = at_level[place]
            place += len(part)
            whole = joins(part) if spaced else True
            if open_run and whole and out[-1][2] == level:
                out[-1] = (chosen, out[-1][1] + part, level)
            else:
                out.append((chosen, part, level))
            open_run = whole
    return out


@functools.lru_cache(maxsize=1 << 13)
def lay(
    words: str, face: Typeface, leftward: bool, tracking: float = 0, features: tuple[str, ...] = ()
) -> Line:
    """Lay words out on one line.

    Args:
        words: in logical order, not empty.
        face: the font, with what stands in for it.
        leftward: whether the line as a whole runs to the left.
        tracking: room added between letters, in thousandths of the letter size.
        features: OpenType features.
    """
    if tracking:
        features = (*features, "-liga", "-clig")
    cut = _cut(words, face, leftward, bool(tracking))
    if len(cut) == 1:
        chosen, letters, level = cut[0]
        ink = measured(chosen, letters, bool(level % 2), features)
        return Line(words, (Piece(chosen, letters, bool(level % 2), 0.0),), features, ink)
    pieces: list[Piece] = []
    x = 0.0
    for i in visual_order([level for _, _, level in cut]):
        chosen, letters, level = cut[i]
        left = bool(level % 2)
        wide = advance(chosen, letters, left, features)
        if pieces:
            x += tracking / 1000
            before = pieces[-1]
            if tracking and before.face is chosen and before.leftward == left:
                # The pair's kerning, which letters drawn one by one would lose.
                pair = letters + before.words if left else before.words + letters
                x += advance(chosen, pair, left, features)
                x -= wide + advance(chosen, before.words, left, features)
        pieces.append(Piece(chosen, letters, left, x))
        x += wide
    inks = [(p.x, measured(p.face, p.words, p.leftward, features)) for p in pieces]
    drawn = [(at, ink) for at, ink in inks if ink[2] > ink[0]] or inks
    return Line(
        words,
        tuple(pieces),
        features,
        (
            min(at + ink[0] for at, ink in drawn),
            min(ink[1] for _, ink in drawn),
            max(at + ink[2] for at, ink in drawn),
            max(ink[3] for _, ink in drawn),
        ),
    )
