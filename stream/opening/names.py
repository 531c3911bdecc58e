"""The names of the layers by which a document that comes back is understood."""

from __future__ import annotations

import re

SUBJECT = "Subject"
COLOUR = "Colour"
MATTE = "Matte"
RETOUCH = "Retouch"
FRAME = "Frame, untouched"

_SHOT = rf"{SUBJECT} (\d{{4,}}-[0-9a-f]{{6}}) "
_GROUP = re.compile(rf"{_SHOT}([0-9a-f]{{8}})\s*")
_NAMED = re.compile(_SHOT.encode())


def subject_name(shot_id: str, opening: str) -> str:
    """The name of a subject's group.

    Args:
        shot_id: whose subject it is.
        opening: 8 hex digits that tell this document from others of the shot.
    """
    return f"{SUBJECT} {shot_id} {opening}"


def read_subject_name(name: str) -> tuple[str, str] | None:
    """Shot and opening of a subject's group; None for the name of any other layer.

    Editors may add words to a name, such as "copy"; a copy is not the subject.
    """
    match = _GROUP.fullmatch(name)
    return (match[1], match[2]) if match else None


def shots_named(stack: bytes) -> set[str]:
    """Ids of the shots whose subjects are named in a document's list of layers, copies too."""
    return {found.decode() for found in _NAMED.findall(stack)}
