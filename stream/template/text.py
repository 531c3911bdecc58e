"""Set words into a box: shrink, then more lines, then smaller still with a warning; never cut.

What is decided (lines, letter size, where each stands) is measured once, at one size of its own,
and scales with the picture, so that the screen and the print break a name alike.
"""

from __future__ import annotations

import math
import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass

from stream.template.bidi import can_order, has_right_to_left, runs_left
from stream.template.breaking import broken
from stream.template.casing import set_case
from stream.template.lines import Line, lay
from stream.template.typeface import DAMAGE, Typeface, missing_letters
from stream.template.wording import Text, put_in

# chosen: beyond this a blurred shadow has less than a fortieth of its strength.
_BLUR_REACH = 2.0


@dataclass(frozen=True)
class Setting:
    """How words lie in a box, in canvas pixels.

    Attributes:
        set_lines: the lines from top to bottom.
        size: letter size.
        starts: x, y of where each line's baseline starts.
        missing: letters that no font has a shape for.
        tight: whether the letters are below the least size.
        warnings: what a person should look at, a sentence each.
    """

    set_lines: tuple[Line, ...]
    size: float
    starts: tuple[tuple[float, float], ...]
    missing: str = ""
    tight: bool = False
    warnings: tuple[str, ...] = ()

    @property
    def lines(self) -> tuple[str, ...]:
        """The words of each line."""
        return tuple(line.words for line in self.set_lines)

    @property
    def ink(self) -> tuple[float, float, float, float]:
        """Left, top, right, bottom of the letters, without outline and shadow."""
        at = list(zip(self.set_lines, self.starts, strict=True))
        return (
            min(x + line.ink[0] * self.size for line, (x, _) in at),
            min(y + line.ink[1] * self.size for line, (_, y) in at),
            max(x + line.ink[2] * self.size for line, (x, _) in at),
            max(y + line.ink[3] * self.size for line, (_, y) in at),
        )


def fill_in(text: Text, fields: Mapping[str, str]) -> str:
    """The words of a text with the roster's columns put in; a column that is missing is empty.

    Line breaks and control characters become spaces, accents are composed, so that a font draws
    them as one letter, and the text's case is given.
    """
    words = "".join(
        " " if unicodedata.category(c) in ("Cc", "Cs", "Zl", "Zp") else c
        for c in put_in(text.value, fields)
    )
    words = unicodedata.normalize("NFC", " ".join(words.split()))
    return unicodedata.normalize("NFC", set_case(words, text.case))


def _edge(text: Text) -> float:
    return text.outline.width if text.outline else 0.0


def _height(text: Text, lines: tuple[Line, ...]) -> float:
    """From the highest ink to the lowest, in letter sizes."""
    tops = [i * text.line_spacing + line.ink[1] for i, line in enumerate(lines)]
    ends = [i * text.line_spacing + line.ink[3] for i, line in enumerate(lines)]
    return max(ends) - min(tops)


def _largest(text: Text, lines: tuple[Line, ...]) -> float:
    """The letter size at which the lines' ink just fits the box, no more than the wanted one."""
    wide = max(line.ink[2] - line.ink[0] for line in lines)
    across, down = (max(v - 2 * _edge(text), 1.0) for v in text.box[2:])
    size = min(across / max(wide, 1e-3), down / max(_height(text, lines), 1e-3))
    return size if text.size is None else min(size, text.size)


def _chosen(text: Text, words: str, face: Typeface) -> tuple[float, tuple[Line, ...]]:
    """Lines and letter size: the fewest lines that keep the least size, else the largest."""
    leftward = runs_left(words, text.direction)
    features = ("smcp",) if text.case == "small caps" else ()

    def laid(parts: tuple[str, ...]) -> tuple[Line, ...]:
        return tuple(lay(part, face, leftward, text.tracking, features) for part in parts)

    best: tuple[float, tuple[Line, ...]] = (0.0, ())
    for count in range(1, text.lines + 1):
        for ways in broken(words, count):
            for lines in map(laid, ways):
                size = _largest(text, lines)
                if size > best[0]:
                    best = size, lines
            if best[0] >= text.least:
                return best
    return best


def _starts(text: Text, lines: tuple[Line, ...], size: float, capital: float) -> list[float]:
    """The baselines, from the height of a capital, so that names of one size stand on one line."""
    edge = _edge(text)
    top, bottom = text.box[1] + edge, text.box[1] + text.box[3] - edge
    leading = text.line_spacing * size
    extra = leading * (len(lines) - 1)
    base = {
        "top": top + capital * size,
        "middle": (top + bottom + capital * size - extra) / 2,
        "bottom": bottom - extra,
    }[text.valign]
    base = min(base, *(bottom - i * leading - b.ink[3] * size for i, b in enumerate(lines)))
    base = max(base, *(top - i * leading - b.ink[1] * size for i, b in enumerate(lines)))
    return [base + i * leading for i in range(len(lines))]


def _placed(text: Text, lines: tuple[Line, ...], size: float, face: Typeface) -> Setting:
    edge = _edge(text)
    left, right = text.box[0] + edge, text.box[0] + text.box[2] - edge
    capital = -lay("H", face, False).ink[1]
    starts = []
    for line, y in zip(lines, _starts(text, lines, size, capital), strict=True):
        x0, x1 = line.ink[0] * size, line.ink[2] * size
        x = {"left": left - x0, "center": (left + right - x0 - x1) / 2, "right": right - x1}
        starts.append((x[text.align], y))
    return Setting(lines, size, tuple(starts))


def _listed(letters: str) -> str:
    return ("letter " if len(letters) == 1 else "letters ") + " ".join(letters)


def _letters(words: str, face: Typeface, lines: tuple[Line, ...]) -> tuple[str, list[str]]:
    """Letters without a shape in any font, and a sentence for whatever the font lacks."""
    lacking = missing_letters((face,), words)
    if not lacking:
        return "", []
    missing = missing_letters(face.chain, words)
    told = []
    lent = "".join(c for c in lacking if c not in missing)
    if lent:
        used = {p.face.name: None for x in lines for p in x.pieces if set(p.words) & set(lent)}
        told.append(
            f'the font {face.name} has no {_listed(lent)} for "{words}", '
            f"so {' and '.join(used)} is used for that"
        )
    if missing:
        told.append(
            f'no font has the {_listed(missing)} of "{words}", so an empty box is printed there; '
            "add a font that has it to the text's fallback"
        )
    return missing, told


def _shadow_cut(text: Text, setting: Setting, canvas: tuple[int, int]) -> bool:
    if text.shadow is None or text.shadow.opacity == 0:
        return False
    reach = _BLUR_REACH * text.shadow.blur + _edge(text)
    left, top, right, bottom = setting.ink
    dx, dy = text.shadow.dx, text.shadow.dy
    # Half a pixel of a shadow nobody misses.
    return (
        left + dx - reach < -0.5
        or top + dy - reach < -0.5
        or right + dx + reach > canvas[1] + 0.5
        or bottom + dy + reach > canvas[0] + 0.5
    )


def set_words(
    text: Text, words: str, face: Typeface, canvas: tuple[int, int] | None = None
) -> Setting | None:
    """Choose lines, letter size and places for words; None where there is nothing to write.

    Args:
        text: where and how.
        words: from `fill_in`.
        face: its font, with what stands in for it.
        canvas: (H, W) that the box refers to, for a word about a shadow that leaves it.
    """
    if not words:
        return None
    warnings: list[str] = []
    try:
        size, lines = _chosen(text, words, face)
    except DAMAGE:
        sound = face.chain[-1]
        warnings.append(
            f'the font {face.name} is damaged and cannot draw "{words}", so {sound.name} is used '
            "instead; copy the font again"
        )
        face = sound
        size, lines = _chosen(text, words, face)
    setting = _placed(text, lines, size, face)
    missing, told = _letters(words, face, lines)
    warnings += told
    if has_right_to_left(words) and not can_order():
        warnings.append(
            f'"{words}" is written from right to left, which needs the system library FriBiDi; '
            "install it (libfribidi0) or the letters come out in the wrong order"
        )
    tight = size < text.least and not math.isclose(size, text.least, rel_tol=1e-9)
    if tight:
        warnings.append(
            f'"{words}" does not fit its box at the least letter size of {text.least:g} '
            f"pixels and is written at {size:.3g}; shorten it or make the box larger"
        )
    if canvas is not None and _shadow_cut(text, setting, canvas):
        warnings.append(
            f'the shadow of "{words}" reaches beyond the canvas and is cut there; '
            "move the box inward or make the shadow smaller"
        )
    return Setting(lines, size, setting.starts, missing, tight, tuple(warnings))
