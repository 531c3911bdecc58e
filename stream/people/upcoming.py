"""Who is in the next picture, kept in the event so that a new start knows it.

Roster numbers alone, in a small file that somebody may delete at any time.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from datetime import datetime

from stream.durable import replace_file, storing, sync_folder
from stream.layout import EventPaths


@dataclass(frozen=True)
class Upcoming:
    """Who and what is next.

    Attributes:
        people: roster numbers.
        template: the design that was chosen by hand; None for the one that they ordered.
        said: when that was said, with a time zone.
    """

    people: tuple[str, ...]
    template: str | None
    said: datetime


def upcoming(paths: EventPaths) -> Upcoming | None:
    """Who was said to be next; None where nobody was, or where that cannot be read."""
    try:
        data = json.loads(paths.upcoming.read_text("utf-8"))
        people, template = data["people"], data["template"]
        said = datetime.fromisoformat(data["said"])
        right = isinstance(people, list) and all(isinstance(p, str) for p in people)
        if not right or not isinstance(template, str | None) or said.tzinfo is None:
            return None
    except (OSError, KeyError, TypeError, ValueError):
        return None
    return Upcoming(tuple(people), template, said)


def keep_upcoming(paths: EventPaths, who: Upcoming) -> None:
    """Keep who is next, durably; nobody in no design of their own leaves no file.

    Raises:
        StorageError: the disk did not take it.
    """
    with storing("who is next", paths.root):
        if not who.people and who.template is None:
            _remove(paths)
            return
        said = who.said.isoformat(timespec="seconds")
        data = {"people": list(who.people), "template": who.template, "said": said}
        text = json.dumps(data, indent=1, ensure_ascii=False) + "\n"
        replace_file(paths.upcoming, text.encode())


def _remove(paths: EventPaths) -> None:
    if paths.upcoming.exists():
        paths.upcoming.unlink(missing_ok=True)
        sync_folder(paths.root)


def forget_upcoming(paths: EventPaths, number: str) -> None:
    """Take a person out of it; a file that cannot be read goes whole.

    Raises:
        StorageError: the disk did not take it.
    """
    who = upcoming(paths)
    if who is None:
        with storing("who is next", paths.root):
            _remove(paths)
    elif number in who.people:
        left = tuple(p for p in who.people if p != number)
        keep_upcoming(paths, Upcoming(left, who.template, who.said))
