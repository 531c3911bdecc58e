"""The fonts that words inside SVG layers may use: the template's own files, then the program's."""

from __future__ import annotations

import io
from collections.abc import Callable
from pathlib import Path

from PIL import ImageFont

from stream.template.layers import Document, walk
from stream.template.svg import FontFile, SvgLayer
from stream.template.typeface import MOST_FONT_BYTES

FONT_SUFFIXES = (".ttf", ".otf", ".ttc")
# chosen: two collections with all ideographs; they are held as long as the template is.
MOST_BYTES = 2 * MOST_FONT_BYTES
# Families that CSS has for whatever is there.
_ANY = {"serif", "sans-serif", "monospace", "cursive", "fantasy", "system-ui", "inherit", "sans"}


def font_names(folder: Path, bundled: Path) -> dict[str, Path]:
    """Name inside a template's folder and place of each font, the program's own fonts last."""
    found: dict[str, Path] = {}
    for base in (folder, bundled):
        for inside in ("", "fonts"):
            there = base / inside
            for path in sorted(there.iterdir()) if there.is_dir() else []:
                if path.suffix.lower() in FONT_SUFFIXES and path.is_file():
                    found.setdefault(path.relative_to(base).as_posix(), path)
    return found


class DrawingFonts:
    """Reads the fonts at the first word that asks for them; those beyond `MOST_BYTES` are left out.

    Args:
        folder: the template's.
        bundled: where the program's own fonts lie, in a folder ``fonts``.
        read: reads a font by its name and its place; None where that failed.
    """

    def __init__(
        self, folder: Path, bundled: Path, read: Callable[[str, Path], bytes | None]
    ) -> None:
        self._names = font_names(folder, bundled)
        self._read = read
        self._found: tuple[FontFile, ...] | None = None

    def __call__(self) -> tuple[FontFile, ...]:
        """The fonts."""
        if self._found is None:
            found, left = [], MOST_BYTES
            for name, path in self._names.items():
                size = path.stat().st_size
                data = self._read(name, path) if size <= left else None
                if data is not None:
                    found.append(FontFile(name, data))
                    left -= size
            self._found = tuple(found)
        return self._found


def _family(font: FontFile) -> str:
    try:
        return (ImageFont.truetype(io.BytesIO(font.data), 12).getname()[0] or "").lower()
    except (OSError, ValueError):
        return ""


def family_notes(document: Document) -> tuple[str, ...]:
    """Fonts that SVG layers name and that are not there, a sentence each."""
    out = []
    for layer in walk(document.layers):
        if not isinstance(layer, SvgLayer) or layer.drawing is None:
            continue
        known = {_family(font) for font in layer.fonts} | _ANY
        out += [
            f'{layer.what} is written in "{family}", and no font file in the folder has that name, '
            "so another is used; put the font file into the folder fonts, or turn the words into "
            "shapes"
            for family in layer.drawing.families
            if family.lower() not in known
        ]
    return tuple(out)
