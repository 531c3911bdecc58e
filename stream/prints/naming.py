"""File names of pictures by a pattern such as ``{group}/{shot}-{people}``.

Whatever stands in the roster, a name stays inside its folder: every part of it is made safe by
`safe_name`, and a slash separates folders only where the pattern itself has one.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from stream.errors import UserError
from stream.file_name import safe_name

USUAL = "{shot}-{people}"
FIELDS = ("shot", "people", "number", "group", "template", "size", "event", "date", "copies")
"""What a pattern may ask for besides the roster's columns."""
# chosen: with a number, an ending and the name of a partial file a part stays below the 255 bytes
# of POSIX.1-2017 NAME_MAX; the whole stays below the 260 characters of Windows' MAX_PATH with room
# for the event's own folder.
LONGEST_PART = 200
LONGEST_WORDS = 100
MOST_FOLDERS = 2
LEAST_PART = 40
"""chosen: bytes that stay of a name, whatever its ending."""
_FIELD = re.compile(r"\{([^{}]*)\}")
_BRACKETS = "()[]"
_JOINTS = " -_.,+~" + _BRACKETS


@dataclass(frozen=True)
class Pattern:
    """A pattern of file names that was checked.

    Attributes:
        text: as written.
        parts: folders and the name: literals and fields in turn, a literal first.
    """

    text: str
    parts: tuple[tuple[str, ...], ...]

    @classmethod
    def parse(cls, text: str) -> Pattern:
        """Read a pattern.

        Raises:
            UserError: it says no name that can be used.
        """
        told = f'file_name is "{text}"'
        pieces = text.split("/")
        if len(pieces) > MOST_FOLDERS + 1:
            raise UserError(f"{told}; use at most {MOST_FOLDERS} folders")
        for piece in pieces:
            plain = _FIELD.sub("", piece)
            if "{" in plain or "}" in plain:
                raise UserError(f"{told}; write every field in one pair of braces, like {USUAL}")
            if "\\" in plain or not piece.strip(_JOINTS):
                raise UserError(
                    f"{told}; it must say a name inside pictures/, with / between folders only"
                )
            if len(plain.encode()) > LONGEST_WORDS:
                raise UserError(
                    f"{told}; its own words take {len(plain.encode())} bytes between two /, at "
                    f"most {LONGEST_WORDS} leave room for the fields"
                )
        parts = tuple(tuple(_FIELD.split(piece)) for piece in pieces)
        fields = [f.strip() for part in parts for f in part[1::2]]
        if not parts[-1][1::2] or not all(fields):
            raise UserError(
                f"{told}; its last part needs a field that tells pictures apart, like {{shot}}"
            )
        return cls(text, parts)

    @property
    def fields(self) -> tuple[str, ...]:
        """What it asks for, each once."""
        return tuple(dict.fromkeys(f.strip() for part in self.parts for f in part[1::2]))

    def check(self, columns: Iterable[str]) -> None:
        """Whether everything that it asks for is there.

        Args:
            columns: of the roster.

        Raises:
            UserError: it asks for what neither the program nor the roster has.
        """
        known = {*FIELDS, *(c.casefold() for c in columns)}
        unknown = [f for f in self.fields if f.casefold() not in known]
        if unknown:
            raise UserError(
                f'file_name is "{self.text}"; there is no {{{unknown[0]}}}, use one of '
                f"{', '.join(sorted(known))}"
            )

    def name(self, fields: Mapping[str, str], edition: int = 1) -> str:
        """The name of one picture, without its ending.

        A field that is empty goes together with the joint beside it.

        Args:
            fields: texts by field and roster column; ``shot`` must be there.
            edition: which picture of its shot it is; from 2 on it ends the name.

        Returns:
            Folders and name, joined by /; every part safe, never empty.
        """
        known = {k.casefold(): v for k, v in fields.items()}
        made = [_filled(part, known) for part in self.parts]
        last = made[-1] or safe_name(known["shot"], LONGEST_PART) or "picture"
        if edition > 1:
            last += f"-{edition}"
        return "/".join([*(m for m in made[:-1] if m), last])


def _filled(part: tuple[str, ...], fields: Mapping[str, str]) -> str:
    """One folder or name; may be empty."""
    values = [safe_name(fields.get(f.strip().casefold(), "")) for f in part[1::2]]
    if values and not any(values):
        return ""
    # What tells pictures apart may stand last, so nothing is cut there.
    room = LONGEST_PART - len("".join(part[::2]).encode())
    while sum(len(v.encode()) for v in values) > room:
        longest = max(range(len(values)), key=lambda i: len(values[i].encode()))
        values[longest] = safe_name(values[longest], max(len(values[longest].encode()) - 8, 0))
    out, joint = "", part[0]
    for value, literal in zip(values, part[2::2], strict=True):
        if value:
            out, joint = out + joint + value, literal
            continue
        solid = [words for words in (joint, literal) if words.strip(_JOINTS)]
        plain = "".join(c for c in joint if c not in _BRACKETS) if out else ""
        joint = "".join(solid) or plain
    if joint.strip(_JOINTS) or values[-1:] != [""]:
        out += joint
    return safe_name(out, LONGEST_PART)


def ended(name: str, ending: str) -> str:
    """A name with more at its end, as long as a file's name may be."""
    *folders, last = name.split("/")
    room = max(LONGEST_PART - len(ending.encode()), LEAST_PART)
    return "/".join([*folders, safe_name(last, room) + ending])


def same_place(name: str) -> str:
    """A name as file systems may compare it: without case, composed."""
    return unicodedata.normalize("NFC", unicodedata.normalize("NFC", name).casefold())


def free_name(name: str, ending: str, taken: Callable[[str], bool]) -> str:
    """A file name that no other picture has: numbered from 2 where the plain one is taken.

    Args:
        name: from `Pattern.name`.
        ending: with its dot.
        taken: whether a name, as it is given, is in use. It should compare by `same_place`.
    """
    trial, n = name + ending, 1
    while taken(trial):
        n += 1
        trial = f"{name}-{n}{ending}"
    return trial


def inside(folder: Path, name: str) -> Path:
    """Where a picture's name leads, which is never outside ``folder``.

    Args:
        folder: that of the pictures.
        name: as kept, folders separated by /.

    Raises:
        UserError: the name would lead elsewhere.
    """
    parts = name.split("/")
    safe = all(p and p not in (".", "..") and not set(p) & set("\\:\0") for p in parts)
    path = folder.joinpath(*parts) if safe else folder
    # A folder below may be a link to another place.
    if not safe or not path.parent.resolve().is_relative_to(folder.resolve()):
        raise UserError(
            f"'{name}' is no name of a picture inside {folder.name}/; give one without .. in it"
        )
    return path


def dated(taken: datetime) -> str:
    """The field ``date``."""
    return taken.strftime("%Y-%m-%d")
