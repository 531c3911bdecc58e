"""The files that a template is made of: read, counted in its version, copied."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from stream.durable import file_digest

MOST_FILE = 384 << 20
# chosen: half a minute of a full-size clip with alpha in an editing format; every version of the
# template that was used keeps a copy.
MOST_CLIP = 1 << 30
MOST_MUSIC = 256 << 20
_PIECE = 4 << 20


@dataclass(frozen=True)
class TemplateFile:
    """A file that a template is made of: its name inside the folder, where it lies, its digest."""

    name: str
    path: Path
    digest: str


def copy_file(file: TemplateFile, target: Path) -> bool:
    """Copy a file to a new place, durably.

    Returns:
        False where it is not what it was when it was read, or not there.

    Raises:
        OSError: the copy was not taken.
    """
    digest = hashlib.sha256()
    try:
        source = file.path.open("rb")
    except OSError:
        return False
    with source, target.open("xb") as out:
        while piece := source.read(_PIECE):
            digest.update(piece)
            out.write(piece)
        out.flush()
        os.fsync(out.fileno())
    return digest.hexdigest() == file.digest


def _read(path: Path, problems: list[str]) -> bytes | None:
    try:
        if path.stat().st_size > MOST_FILE:
            problems.append(
                f"{path.name} is larger than {MOST_FILE >> 20} MB, which no layer needs; save it "
                "smaller"
            )
            return None
        return path.read_bytes()
    except OSError as e:
        problems.append(f"{path.name} cannot be read ({e.strerror})")
        return None


class Files:
    """The files read so far, for the version and for copies."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.list: list[TemplateFile] = []

    def read(self, name: str, problems: list[str], path: Path | None = None) -> bytes | None:
        path = path or self.folder / name
        data = _read(path, problems)
        if data is not None and all(f.name != name for f in self.list):
            self.list.append(TemplateFile(name, path, hashlib.sha256(data).hexdigest()))
        return data

    def count(self, name: str, most: int, what: str, problems: list[str]) -> Path | None:
        """Count a file in that stays on the disk, such as a clip; None where it cannot be read."""
        path = self.folder / name
        try:
            if path.stat().st_size > most:
                problems.append(
                    f"{name} is larger than {most >> 20} MB, which is the most that {what} may "
                    "have; save it smaller"
                )
                return None
            if all(f.name != name for f in self.list):
                self.list.append(TemplateFile(name, path, file_digest(path)))
        except OSError as e:
            problems.append(f"{name} cannot be read ({e.strerror})")
            return None
        return path

    def version(self) -> str:
        """One digest over names and contents, in an order of its own."""
        return _version((f.digest, f.name) for f in self.list)


def _version(files: Iterable[tuple[str, str]]) -> str:
    lines = sorted(f"{digest}  {name}\n" for digest, name in files)
    return hashlib.sha256("".join(lines).encode()).hexdigest()


def copy_version(folder: Path) -> str:
    """The version that a kept copy had when it was made, by all the files that lie in it.

    The program may have come to count fonts of its own that it did not count then.
    """
    found = [p for p in folder.rglob("*") if p.is_file()]
    return _version((file_digest(p), p.relative_to(folder).as_posix()) for p in found)
