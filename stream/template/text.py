"""Write words into a box: shrink, then two lines, then smaller still with a warning; never cut.

What is decided (lines and letter size) is measured once, at one large size, and scales with the
picture, so that the screen and the print break a name alike. Letters are drawn at the size of the
picture, never drawn small and enlarged.
"""

from __future__ import annotations

import functools
import io
import math
import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import torch
from PIL import Image, ImageDraw, ImageFilter, ImageFont, features

from models.flatten import Ink
from stream.template.wording import Text

# chosen: large enough that hinting moves an advance by less than 1/250 of a letter.
_MEASURE_PX = 256
# Distance of two baselines, in letter sizes: common practice.
_LEADING = 1.15
# A private-use character that no font for names draws: its shape is the "missing" box.
_ABSENT = "\U0010fffd"


@dataclass(frozen=True)
class Typeface:
    """A font: the file's name, its content, and what can stand in for letters that it lacks."""

    name: str
    data: bytes
    stand_in: Typeface | None = None


@dataclass(frozen=True)
class Setting:
    """How words lie in a box: the lines, the letter size in canvas pixels, and what went wrong."""

    lines: tuple[str, ...]
    size: float
    face: Typeface
    warnings: tuple[str, ...] = ()


@functools.lru_cache(maxsize=64)
def _font(face: Typeface, size: float) -> ImageFont.FreeTypeFont:
    engine = ImageFont.Layout.RAQM if features.check("raqm") else ImageFont.Layout.BASIC
    return ImageFont.truetype(io.BytesIO(face.data), size, layout_engine=engine)


def check_font(data: bytes) -> bool:
    """Whether a file is a font that can draw letters."""
    try:
        font = ImageFont.truetype(io.BytesIO(data), _MEASURE_PX)
        font.getbbox("Aj", anchor="ls")
    except (OSError, ValueError):
        return False
    return True


def fill_in(text: Text, fields: Mapping[str, str]) -> str:
    """The words of a text with the roster's columns put in; a column that is missing is empty.

    Line breaks and control characters become spaces, and accents are composed, so that a font
    draws them as one letter.
    """
    words = text.value
    for column in text.columns:
        value = str(fields.get(column, ""))
        # Braces in a value stay braces.
        value = value.replace("{", "\x00").replace("}", "\x01")
        for form in (f"{{{column}}}", f"{{ {column} }}"):
            words = words.replace(form, value)
    words = words.replace("\x00", "{").replace("\x01", "}")
    words = "".join(
        " " if unicodedata.category(c) in ("Cc", "Cs", "Zl", "Zp") else c for c in words
    )
    return unicodedata.normalize("NFC", " ".join(words.split()))


@functools.lru_cache(maxsize=4096)
def _lacks(face: Typeface, letter: str) -> bool:
    font = _font(face, 48)
    have, absent = font.getmask(letter), font.getmask(_ABSENT)
    return have.size == absent.size and bytes(have) == bytes(absent)


def missing_letters(face: Typeface, words: str) -> str:
    """The letters that a font has no shape for, each once."""
    seen = dict.fromkeys(c for c in words if not c.isspace())
    return "".join(
        c for c in seen if unicodedata.category(c) not in ("Cf", "Mn") and _lacks(face, c)
    )


def _extent(font: ImageFont.FreeTypeFont, line: str) -> tuple[int, int, int, int]:
    """Left, top, right, bottom of the ink in pixels from the start of the baseline.

    Pillow's own ``getbbox`` counts the room beside the last letter in.
    """
    mask, (x, y) = font.getmask2(line, "L", anchor="ls")
    box = mask.getbbox()
    if box is None:
        return (0, 0, 0, 0)
    return (x + box[0], y + box[1], x + box[2], y + box[3])


@functools.lru_cache(maxsize=512)
def _ink(face: Typeface, line: str) -> tuple[float, float, float, float]:
    """Left, top, right, bottom of a line's ink from its baseline's start, in letter sizes."""
    left, top, right, bottom = _extent(_font(face, _MEASURE_PX), line)
    return (left / _MEASURE_PX, top / _MEASURE_PX, right / _MEASURE_PX, bottom / _MEASURE_PX)


def _largest(text: Text, face: Typeface, lines: tuple[str, ...]) -> float:
    """The letter size at which the lines' ink just fits the box."""
    edge = 2 * (text.outline.width if text.outline else 0.0)
    inks = [_ink(face, line) for line in lines]
    wide = max(right - left for left, _, right, _ in inks)
    high = inks[-1][3] - inks[0][1] + _LEADING * (len(lines) - 1)
    across, down = max(text.box[2] - edge, 1.0), max(text.box[3] - edge, 1.0)
    return min(across / max(wide, 1e-3), down / max(high, 1e-3))


def _halves(words: str) -> list[tuple[str, str]]:
    parts = words.split(" ")
    return [(" ".join(parts[:i]), " ".join(parts[i:])) for i in range(1, len(parts))]


def _right_to_left(words: str) -> bool:
    return any(unicodedata.bidirectional(c) in ("R", "AL") for c in words)


def set_words(text: Text, words: str, face: Typeface) -> Setting | None:
    """Choose lines and letter size for words; None where there is nothing to write."""
    if not words:
        return None
    warnings: list[str] = []
    missing = missing_letters(face, words)
    if missing:
        other = face.stand_in
        if other is not None and not missing_letters(other, words):
            warnings.append(
                f'the font {face.name} has no {_listed(missing)} for "{words}", '
                f"so {other.name} is used instead"
            )
            face = other
        else:
            warnings.append(
                f'the font {face.name} has no {_listed(missing)} for "{words}", so an empty box '
                "is printed there; choose a font that has these letters"
            )
    if _right_to_left(words) and not features.check("raqm"):
        warnings.append(
            f'"{words}" is written from right to left, which needs the system library FriBiDi; '
            "install it (libfribidi0) or the letters come out in the wrong order"
        )
    lines: tuple[str, ...] = (words,)
    size = min(text.size, _largest(text, face, lines))
    if size < text.least:
        two = [(min(text.size, _largest(text, face, h)), h) for h in _halves(words)]
        best = max(two, key=lambda t: t[0], default=(0.0, lines))
        if best[0] > size:
            size, lines = best
        if size < text.least:
            warnings.append(
                f'"{words}" does not fit its box at the least letter size of {text.least:g} '
                f"pixels and is written at {size:.0f}; shorten it or make the box larger"
            )
    return Setting(lines, size, face, tuple(warnings))


def _listed(letters: str) -> str:
    return ("letter " if len(letters) == 1 else "letters ") + " ".join(letters)


def draw(text: Text, setting: Setting, scale: tuple[float, float]) -> tuple[Ink, ...]:
    """Draw words at the size of the picture.

    Args:
        text: where and how.
        setting: from `set_words`.
        scale: picture pixels per canvas pixel, down and across.

    Returns:
        Shadow, outline and letters, lowest first.
    """
    sy, sx = scale
    scale_px = min(sy, sx)
    font = _font(setting.face, max(setting.size * scale_px, 1.0))
    px = setting.size * scale_px
    edge = text.outline.width * scale_px if text.outline else 0.0
    left, top = text.box[0] * sx + edge, text.box[1] * sy + edge
    right = (text.box[0] + text.box[2]) * sx - edge
    bottom = (text.box[1] + text.box[3]) * sy - edge
    inks = [_extent(font, line) for line in setting.lines]
    leading = _LEADING * px

    # The first baseline, from the height of a capital, so that names of one size stand on one line.
    capital = -_ink(setting.face, "H")[1] * px
    extra = leading * (len(inks) - 1)
    base = {
        "top": top + capital,
        "middle": (top + bottom + capital - extra) / 2,
        "bottom": bottom - extra,
    }[text.valign]
    base = min(base, bottom - extra - inks[-1][3])
    base = max(base, top - inks[0][1])

    starts = []
    for i, (x0, _, x1, _) in enumerate(inks):
        x = {
            "left": left - x0,
            "center": (left + right - x0 - x1) / 2,
            "right": right - x1,
        }[text.align]
        starts.append((x, base + i * leading))

    pad = 3 + math.ceil(edge)
    ink_left = math.floor(min(x + b[0] for (x, _), b in zip(starts, inks, strict=True))) - pad
    ink_top = math.floor(min(y + b[1] for (_, y), b in zip(starts, inks, strict=True))) - pad
    ink_right = math.ceil(max(x + b[2] for (x, _), b in zip(starts, inks, strict=True))) + pad
    ink_bottom = math.ceil(max(y + b[3] for (_, y), b in zip(starts, inks, strict=True))) + pad
    size = (ink_right - ink_left, ink_bottom - ink_top)

    def mask(stroke: float) -> Image.Image:
        image = Image.new("L", size)
        pen = ImageDraw.Draw(image)
        for line, (x, y) in zip(setting.lines, starts, strict=True):
            at = (x - ink_left, y - ink_top)
            pen.text(at, line, fill=255, font=font, anchor="ls", stroke_width=stroke)
        return image

    letters = mask(0)
    outlined = mask(edge) if edge > 0 else letters
    out: list[Ink] = []
    if text.shadow is not None:
        s = text.shadow
        blur = s.blur * scale_px
        spread = math.ceil(3 * blur)
        wide = Image.new("L", (size[0] + 2 * spread, size[1] + 2 * spread))
        wide.paste(outlined, (spread, spread))
        if blur > 0:
            wide = wide.filter(ImageFilter.GaussianBlur(blur))
        x = ink_left - spread + round(s.dx * sx)
        y = ink_top - spread + round(s.dy * sy)
        out.append(Ink(_tensor(wide), s.color, x, y, s.opacity))
    if text.outline is not None and edge > 0:
        out.append(Ink(_tensor(outlined), text.outline.color, ink_left, ink_top))
    out.append(Ink(_tensor(letters), text.color, ink_left, ink_top))
    return tuple(out)


def _tensor(image: Image.Image) -> torch.Tensor:
    return torch.from_numpy(np.array(image))
