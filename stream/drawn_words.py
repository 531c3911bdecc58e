"""Words on the pictures that commands draw for people to look at."""

from __future__ import annotations

import functools
from pathlib import Path

from PIL import ImageFont

_FONTS = Path(__file__).parent / "template" / "fonts"


@functools.cache
def drawn_font(size: int, bold: bool = False) -> ImageFont.FreeTypeFont:
    """A font that comes with the program, ``size`` pixels high; letters as on any machine."""
    path = _FONTS / ("DejaVuSans-Bold.ttf" if bold else "DejaVuSans.ttf")
    return ImageFont.truetype(path, size, layout_engine=ImageFont.Layout.BASIC)


def wrapped(text: str, font: ImageFont.FreeTypeFont, width: int) -> list[str]:
    """Words in lines no wider than ``width`` pixels; a longer word has a line of its own."""
    lines: list[str] = []
    for word in text.split():
        longer = f"{lines[-1]} {word}" if lines else word
        if lines and font.getlength(longer) <= width:
            lines[-1] = longer
        else:
            lines.append(word)
    return lines
