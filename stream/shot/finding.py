"""Kept shots by id or number."""

from __future__ import annotations

import json
import logging
from collections.abc import Iterator

from stream.event import Event
from stream.shot.record import ID_FORM, RECORD, Shot, ShotError

log = logging.getLogger("posewall.shot")


def load_shot(event: Event, shot_id: str) -> Shot:
    """A shot by its id.

    Raises:
        ShotError: it is not there, or its record is damaged.
    """
    if not ID_FORM.fullmatch(shot_id):
        raise ShotError(f"'{shot_id}' is no shot's id; 'posewall batch status' lists them.")
    path = event.paths.shots / shot_id / RECORD
    try:
        data = json.loads(path.read_text("utf-8"))
    except FileNotFoundError as e:
        raise ShotError(f"there is no shot {shot_id} in {event.paths.shots}.") from e
    except (OSError, ValueError) as e:
        raise ShotError(f"{path} cannot be read ({e}); put it back from a copy.") from e
    if not isinstance(data, dict):
        raise ShotError(f"{path} is no shot's record; put it back from a copy.")
    shot = Shot.from_json(data)
    if shot.id != shot_id:
        raise ShotError(
            f"{path} is the record of shot {shot.id}; a shot's folder must keep its name."
        )
    return shot


def shot_ids(event: Event) -> list[str]:
    """Ids of all kept shots, in order."""
    ids = [p.name for p in event.paths.shots.iterdir() if ID_FORM.fullmatch(p.name)]
    return sorted(ids, key=lambda i: (int(i.split("-")[0]), i))


def shots(event: Event) -> Iterator[Shot]:
    """All shots whose record can be read, in order; a damaged one is logged and left out."""
    for shot_id in shot_ids(event):
        try:
            yield load_shot(event, shot_id)
        except ShotError as e:
            log.error("shot %s: %s", shot_id, e)


def find_shot(event: Event, text: str) -> Shot:
    """A shot by its id or its number.

    Raises:
        ShotError: there is none.
    """
    ids = shot_ids(event)
    want = text.strip().lower()
    for shot_id in ids:
        if want == shot_id or (want.isdigit() and int(want) == int(shot_id.split("-")[0])):
            return load_shot(event, shot_id)
    span = f"{ids[0]} to {ids[-1]}" if ids else "none yet"
    raise ShotError(f"there is no shot '{text}' (the event has {span}); give a shot's number.")
