"""Which way letters run, by the Unicode Bidirectional Algorithm (UAX #9), as FriBiDi works it out.

Pillow orders the letters of one font by itself, with the same library. Where a line takes letters
from several fonts, or letters are spaced one by one, the order is needed here.
"""

from __future__ import annotations

import ctypes
import functools
import unicodedata

from PIL import features

# The names that Pillow looks for, too.
_NAMES = (
    "libfribidi.so.0",
    "libfribidi.0.dylib",
    "libfribidi.dylib",
    "fribidi",
    "fribidi-0",
    "libfribidi-0",
)
# FRIBIDI_PAR_LTR and FRIBIDI_PAR_RTL of the library's header fribidi-bidi-types.h (version 1.0).
_LTR, _RTL = 0x110, 0x111


def can_order() -> bool:
    """Whether letters that run from right to left come out joined and in their order."""
    return bool(features.check("raqm"))


@functools.cache
def _library() -> ctypes.CDLL | None:
    for name in _NAMES:
        try:
            return ctypes.CDLL(name)
        except OSError:
            continue
    return None


def has_right_to_left(words: str) -> bool:
    """Whether any letter runs from right to left."""
    return any(unicodedata.bidirectional(c) in ("R", "AL") for c in words)


def runs_left(words: str, direction: str) -> bool:
    """Whether words as a whole run to the left: by choice, or by their first letter (rule P2).

    What stands between marks that isolate it does not count.
    """
    if direction != "auto":
        return direction == "rtl"
    isolated = 0
    for kind in map(unicodedata.bidirectional, words):
        if kind in ("LRI", "RLI", "FSI"):
            isolated += 1
        elif kind == "PDI":
            isolated = max(0, isolated - 1)
        elif not isolated and kind in ("L", "R", "AL"):
            return kind != "L"
    return False


def can_cut(words: str, leftward: bool) -> bool:
    """Whether the order of single letters can be known here, and not by Pillow alone."""
    return _library() is not None or not (leftward or has_right_to_left(words))


def levels(words: str, leftward: bool) -> tuple[int, ...]:
    """The embedding level of each letter: even runs to the right, odd to the left.

    Args:
        words: in logical order.
        leftward: whether the whole runs to the left.
    """
    library = _library() if leftward or has_right_to_left(words) else None
    if library is None:
        return (int(leftward),) * len(words)
    n = len(words)
    letters = (ctypes.c_uint32 * n)(*map(ord, words))
    kinds, brackets = (ctypes.c_uint32 * n)(), (ctypes.c_uint32 * n)()
    out = (ctypes.c_int8 * n)()
    base = ctypes.c_uint32(_RTL if leftward else _LTR)
    library.fribidi_get_bidi_types(letters, n, kinds)
    library.fribidi_get_bracket_types(letters, n, kinds, brackets)
    library.fribidi_get_par_embedding_levels_ex(kinds, brackets, n, ctypes.byref(base), out)
    return tuple(out)


def visual_order(of_pieces: list[int]) -> list[int]:
    """The places of pieces from left to right, by their levels (rule L2)."""
    order = list(range(len(of_pieces)))
    for level in range(max(of_pieces, default=0), 0, -1):
        start = 0
        while start < len(order):
            end = start
            while end < len(order) and of_pieces[order[end]] >= level:
                end += 1
            order[start:end] = reversed(order[start:end])
            start = max(end, start + 1)
    return order
