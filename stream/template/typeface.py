"""Fonts: the files, which letters they have, and what can stand in for those that they lack."""

from __future__ import annotations

import functools
import io
import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass

from PIL import Image, ImageFont

from stream.template.bidi import can_order

# A private-use character that no font for names draws: its shape is the "missing" box.
_ABSENT = "\U0010fffd"
_TRIAL_PX = 48
# What a damaged file makes the library raise while it draws.
DAMAGE = (OSError, ValueError, MemoryError, Image.DecompressionBombError)
# chosen: collections with all the ideographs of several languages have 20 to 120 MB.
MOST_FONT_BYTES = 128 << 20


@dataclass(frozen=True, eq=False)
class Typeface:
    """A font: the file's name, its content, and what can stand in for letters that it lacks.

    Two are the same only where they are one object, so that looking one up costs nothing.
    """

    name: str
    data: bytes
    stand_in: Typeface | None = None

    @functools.cached_property
    def chain(self) -> tuple[Typeface, ...]:
        """It, and what stands in for it, in the order in which they are asked."""
        return (self, *(self.stand_in.chain if self.stand_in is not None else ()))


def chained(faces: Sequence[Typeface]) -> Typeface:
    """The first of some fonts, with the others to stand in."""
    out: Typeface | None = None
    for face in reversed(faces):
        out = Typeface(face.name, face.data, out)
    if out is None:
        raise ValueError("chained: got no font; need at least one")
    return out


@functools.lru_cache(maxsize=64)
def font(face: Typeface, size: float) -> ImageFont.FreeTypeFont:
    """The font at a letter size in pixels."""
    engine = ImageFont.Layout.RAQM if can_order() else ImageFont.Layout.BASIC
    return ImageFont.truetype(io.BytesIO(face.data), size, layout_engine=engine)


def check_font(data: bytes) -> bool:
    """Whether a file is a font that can draw letters."""
    try:
        trial = ImageFont.truetype(io.BytesIO(data), _TRIAL_PX)
        return all(not _wild(trial.getmask(c).size) for c in "Aj")
    except DAMAGE:
        return False


def is_heavy(data: bytes) -> bool:
    """Whether a font calls itself bold or heavier."""
    try:
        style = ImageFont.truetype(io.BytesIO(data), _TRIAL_PX).getname()[1] or ""
    except DAMAGE:
        return False
    return any(word in style.lower() for word in ("bold", "black", "heavy"))


def has_small_caps(data: bytes) -> bool:
    """Whether a font has small capitals of its own (OpenType feature smcp)."""
    if not can_order():
        return False
    try:
        trial = ImageFont.truetype(io.BytesIO(data), _TRIAL_PX)
        plain, small = trial.getmask("ag"), trial.getmask("ag", features=["smcp"])
    except DAMAGE:
        return False
    return plain.size != small.size or bytes(plain) != bytes(small)


def _wild(size: tuple[int, int]) -> bool:
    """Whether a letter is of a size that only damage explains."""
    return max(size) > 20 * _TRIAL_PX


@functools.lru_cache(maxsize=64)
def _absent(face: Typeface) -> tuple[tuple[int, int], bytes]:
    try:
        mask = font(face, _TRIAL_PX).getmask(_ABSENT)
    except DAMAGE:
        return (-1, -1), b""
    return mask.size, bytes(mask)


@functools.lru_cache(maxsize=1 << 16)
def lacks(face: Typeface, letter: str) -> bool:
    """Whether a font has no shape for a letter, or one that cannot be drawn."""
    try:
        mask = font(face, _TRIAL_PX).getmask(letter)
    except DAMAGE:
        return True
    if _wild(mask.size):
        return True
    size, box = _absent(face)
    return mask.size == size and bytes(mask) == box


def shows(letter: str) -> bool:
    """Whether a letter needs a shape: spaces and marks for joining and direction do not."""
    return not letter.isspace() and unicodedata.category(letter) != "Cf"


def missing_letters(faces: Sequence[Typeface], words: str) -> str:
    """The letters that none of some fonts has a shape for, each once."""
    return "".join(
        c for c in dict.fromkeys(words) if shows(c) and all(lacks(face, c) for face in faces)
    )
