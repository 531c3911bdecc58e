"""Kept takes by id or number, and their records replaced."""

from __future__ import annotations

import json
import logging
from collections.abc import Iterator

from stream.durable import held, replace_file, storing
from stream.event import Event
from stream.take.record import ID_FORM, RECORD, Take, TakeError

log = logging.getLogger("posewall.take")


def load_take(event: Event, take_id: str) -> Take:
    """A take by its id.

    Raises:
        TakeError: it is not there, or its record is damaged.
    """
    if not ID_FORM.fullmatch(take_id):
        raise TakeError(f"'{take_id}' is no take's id; give the name of a folder in takes/.")
    path = event.paths.takes / take_id / RECORD
    try:
        data = json.loads(path.read_text("utf-8"))
    except FileNotFoundError as e:
        raise TakeError(f"there is no take {take_id} in {event.paths.takes}.") from e
    except (OSError, ValueError) as e:
        raise TakeError(f"{path} cannot be read ({e}); put it back from a copy.") from e
    if not isinstance(data, dict):
        raise TakeError(f"{path} is no take's record; put it back from a copy.")
    take = Take.from_json(data)
    if take.id != take_id:
        raise TakeError(
            f"{path} is the record of take {take.id}; a take's folder must keep its name."
        )
    return take


def _number(take_id: str) -> int:
    return int(take_id[1:].split("-")[0])


def take_ids(event: Event) -> list[str]:
    """Ids of all kept takes, in order; none where the folder is gone."""
    try:
        names = [p.name for p in event.paths.takes.iterdir()]
    except FileNotFoundError:
        return []
    return sorted((n for n in names if ID_FORM.fullmatch(n)), key=lambda i: (_number(i), i))


def takes(event: Event) -> Iterator[Take]:
    """All takes whose record can be read, in order; a damaged one is logged and left out."""
    for take_id in take_ids(event):
        try:
            yield load_take(event, take_id)
        except TakeError as e:
            log.error("take %s: %s", take_id, e)


def find_take(event: Event, text: str) -> Take:
    """A take by its id or its number, with or without the t before it.

    Raises:
        TakeError: there is none.
    """
    ids = take_ids(event)
    want = text.strip().lower()
    number = want.removeprefix("t")
    for take_id in ids:
        if want == take_id or (number.isdecimal() and int(number) == _number(take_id)):
            return load_take(event, take_id)
    span = f"{ids[0]} to {ids[-1]}" if ids else "none yet"
    raise TakeError(f"there is no take '{text}' (the event has {span}); give a take's number.")


def rewrite_take(event: Event, take: Take) -> Take:
    """Replace the record of a take, under the event's lock.

    To change what may have changed meanwhile, hold ``event.paths.lock`` yourself, load it, and
    call `replace_take`.

    Raises:
        StorageError: the disk did not take it.
    """
    with storing(f"the record of take {take.id}", event.paths.root), held(event.paths.lock):
        return replace_take(event, take)


def replace_take(event: Event, take: Take) -> Take:
    """Replace the record of a take; the caller holds the event's lock."""
    replace_file(event.paths.takes / take.id / RECORD, take.to_bytes())
    return take
