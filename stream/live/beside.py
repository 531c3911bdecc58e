"""The frames that lie beside a shot, for the pages and the commands."""

from __future__ import annotations

import base64
from typing import Any

from stream.event import Event
from stream.shot import find_shot
from stream.shot.choice import load_choice


def frames_beside(event: Event, shot: str, *, views: bool = False) -> dict[str, Any]:
    """The frames that a shot may be made of, best first, as JSON values.

    Args:
        event: the event.
        shot: its id or number.
        views: with a small picture of each, as an address that holds it (RFC 2397).

    Raises:
        UserError: there is no such shot, or what is known of its frames is damaged.
    """
    kept = find_shot(event, shot)
    choice = load_choice(event, kept.id)
    found: dict[str, Any] = {"shot": kept.id, "choosing": kept.choice_until is not None}
    frames = []
    for place, one in enumerate(choice.candidates if choice is not None else (), 1):
        frame = {
            "place": place,
            "in_use": one.file == kept.frame,
            "words": one.words,
            "reasons": list(one.reasons),
        }
        if views:
            frame["view"] = _address(event, kept.id, one.view)
        frames.append(frame)
    return found | {"frames": frames, "looked_at": choice.looked_at if choice is not None else 0}


def _address(event: Event, shot_id: str, view: str) -> str | None:
    try:
        data = (event.paths.shots / shot_id / view).read_bytes()
    except OSError:
        return None
    return f"data:image/jpeg;base64,{base64.b64encode(data).decode()}"
