"""Every file below an event's folder in which a name still stands."""

from __future__ import annotations

import mmap
import os
import re
import unicodedata
import zipfile
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from stream.file_name import safe_name

# Shorter than this, a name stands in compressed data by chance.
_BY_CHANCE = 6
# As for a roster: 5,000 people in 30 columns take some 8 MB of XML.
_LARGEST_PART = 32_000_000
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


@dataclass(frozen=True)
class Form:
    """One way in which a name may stand in a file's bytes.

    Attributes:
        data: the bytes.
        whole: letters before and after it would make another name of it.
    """

    data: bytes
    whole: bool

    def found_in(self, data: bytes | mmap.mmap) -> bool:
        """Whether it stands in some bytes."""
        if data.find(self.data) < 0:
            return False
        if not self.whole:
            return True
        alone = rb"(?<![0-9A-Za-z])" + re.escape(self.data) + rb"(?![0-9A-Za-z])"
        return re.search(alone, data) is not None


def name_forms(name: str) -> tuple[Form, ...]:
    """How a name may stand in a file: UTF-8, UTF-16 and the Western code page."""
    found: set[Form] = set()
    for words in spellings(name):
        found.add(Form(words.encode(), True))
        found |= {Form(words.encode(e), False) for e in ("utf-16-le", "utf-16-be")}
        try:
            found.add(Form(words.encode("cp1252"), True))
        except UnicodeEncodeError:
            continue
    return tuple(sorted(found, key=lambda f: f.data))


def _unpacked(path: Path) -> Iterator[bytes | mmap.mmap]:
    """A file's bytes, and those of the parts of an archive such as XLSX or OpenRaster."""
    if path.stat().st_size == 0:
        return
    # A film is larger than memory.
    with path.open("rb") as file, mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ) as data:
        yield data
        packed = data[:4] == b"PK\x03\x04"
    if packed:
        try:
            with zipfile.ZipFile(path) as archive:
                for part in archive.infolist():
                    plain = part.filename.lower().endswith((".xml", ".rels", ".vml", ".txt"))
                    if plain and part.file_size <= _LARGEST_PART:
                        yield archive.read(part)
        except (zipfile.BadZipFile, zlib.error, OSError, NotImplementedError, RuntimeError):
            return


def holding(root: Path, name: str) -> list[Path]:
    """Files and folders below a folder whose name or content holds a person's name."""
    forms, found = name_forms(name), []
    long = tuple(f for f in forms if len(f.data) >= _BY_CHANCE)
    for here, folders, files in os.walk(root):
        for own in sorted((*folders, *files)):
            path = Path(here, own)
            spelled = os.fsencode(own)
            if any(f.found_in(spelled) for f in forms):
                found.append(path)
            elif own in files and path.is_file() and not path.is_symlink():
                plain = path.suffix.lower() in _TEXTS
                for n, data in enumerate(_unpacked(path)):
                    if any(f.found_in(data) for f in (forms if n or plain else long)):
                        found.append(path)
                        break
    return found
