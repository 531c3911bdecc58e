"""Kept takes by id or number, and their records replaced."""

from __future__ import annotations

from stream.durable import held, replace_file, storing
from stream.event import Event
from stream.records import Records
from stream.take.record import ID_FORM, RECORD, Take, TakeError

TAKES = Records(
    kind="take",
    folder=lambda event: event.paths.takes,
    file=RECORD,
    ids_form=ID_FORM,
    before="t",
    read=Take.from_json,
    error=TakeError,
    ids_said="give the name of a folder in takes/",
    always=False,
)

load_take = TAKES.load
take_ids = TAKES.ids
takes = TAKES.each
find_take = TAKES.find
readable_takes = TAKES.readable


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
