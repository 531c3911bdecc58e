"""Every file below an event's folder in which a name still stands."""

from __future__ import annotations

import os
import re
import unicodedata
import zipfile
import zlib
from collections.abc import Iterator
from pathlib import Path

from stream.shot.naming import safe_name

# Shorter than this, a name stands in compressed data by chance.
_BY_CHANCE = 6
_TEXTS = frozenset((".json", ".csv", ".toml", ".txt", ".log", ".xml", ".svg", ".md", ""))


def walk_files(root: Path) -> Iterator[Path]:
    """Every file below a folder, links not followed."""
    for here, _, names in os.walk(root):
        for name in names:
            path = Path(here, name)
            if not path.is_symlink() and path.is_file():
                yield path


def spellings(name: str) -> tuple[str, ...]:
    """A name as it may be written: composed and not, with spaces or as a file's name, escaped."""
    made: set[str] = set()
    for words in (name, safe_name(name), name.replace(" ", "_")):
        for form in ("NFC", "NFD"):
            plain = unicodedata.normalize(form, words)
            made |= {plain, plain.replace("&", "&amp;")}
    # As JSON writes it in ASCII: \u00c5.
    made |= {
        "".join(c if c.isascii() else f"\\u{ord(c):04x}" for c in m)
        for m in tuple(made)
        if all(ord(c) < 0x10000 for c in m)
    }
    return tuple(sorted(m for m in made if m))


def name_patterns(name: str) -> tuple[tuple[int, re.Pattern[bytes]], ...]:
    """How a name may stand in a file's bytes: UTF-8, UTF-16 and the Western code page.

    Returns:
        The shortest length in bytes that each pattern finds, and the pattern.
    """
    found: dict[bytes, bool] = {}
    for words in spellings(name):
        for encoding in ("utf-8", "cp1252"):
            try:
                found[words.encode(encoding)] = True
            except UnicodeEncodeError:
                continue
        for encoding in ("utf-16-le", "utf-16-be"):
            found[words.encode(encoding)] = False
    return tuple(
        (
            len(form),
            re.compile(
                rb"(?<![0-9A-Za-z])" + re.escape(form) + rb"(?![0-9A-Za-z])"
                if whole
                else re.escape(form)
            ),
        )
        for form, whole in sorted(found.items())
    )


def _unpacked(path: Path, data: bytes) -> Iterator[bytes]:
    """A file's bytes, and those of the parts of an archive such as XLSX or OpenRaster."""
    yield data
    if data[:4] == b"PK\x03\x04":
        try:
            with zipfile.ZipFile(path) as archive:
                for part in archive.infolist():
                    if part.filename.lower().endswith((".xml", ".rels", ".vml", ".txt")):
                        yield archive.read(part)
        except (zipfile.BadZipFile, zlib.error, OSError, NotImplementedError, RuntimeError):
            return


def holding(root: Path, name: str) -> list[Path]:
    """Files and folders below a folder whose name or content holds a person's name."""
    patterns, found = name_patterns(name), []
    for here, folders, files in os.walk(root):
        for own in sorted((*folders, *files)):
            path = Path(here, own)
            spelled = os.fsencode(own)
            if any(p.search(spelled) for _, p in patterns):
                found.append(path)
            elif own in files and path.is_file() and not path.is_symlink():
                plain = path.suffix.lower() in _TEXTS
                for n, data in enumerate(_unpacked(path, path.read_bytes())):
                    if any(
                        p.search(data) for least, p in patterns if n or plain or least >= _BY_CHANCE
                    ):
                        found.append(path)
                        break
    return found
