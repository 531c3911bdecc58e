"""Whose a film is, as it is written into its file."""

from __future__ import annotations

import re
from collections.abc import Sequence
from pathlib import Path

import av

from stream.take import Take

_COMMENT = re.compile(r"Posewall (t\d{4,}-[0-9a-f]{6}) ([0-9a-f]{32})")


def metadata_of(take: Take, event: str, people: Sequence[str] = ()) -> dict[str, str]:
    """What is written into a film, by the names that MP4 files know.

    Args:
        take: that it is made of.
        event: the event's name.
        people: names that may stand in the file.
    """
    told = {
        "title": event,
        "comment": f"Posewall {take.id} {take.unique}",
        "creation_time": take.begun.isoformat(),
    }
    return {**told, "artist": ", ".join(people)} if people else told


def film_owner(path: Path) -> str | None:
    """The ``unique`` of the take that a film was made of; None where it is none of ours."""
    try:
        with av.open(f"file:{path}", options={"protocol_whitelist": "file"}) as container:
            told = container.metadata.get("comment", "")
    except (av.error.FFmpegError, OSError, ValueError):
        return None
    found = _COMMENT.fullmatch(told)
    return found[2] if found else None
