"""A take that is written no more: how long it is, what it shows first, its films' names."""

from __future__ import annotations

import logging
from dataclasses import replace

from models.errors import PosewallError
from stream.durable import held, replace_file
from stream.event import Event
from stream.take.finding import load_take, replace_take
from stream.take.reading import measured, open_take
from stream.take.record import VIEW, Take
from stream.take.titling import titled

log = logging.getLogger("posewall.take")


def settled(
    event: Event, take: Take, end_s: float | None, shapes: tuple[str, ...] | None = None
) -> Take:
    """Close the record of a take that is written no more: how long it is, its view, its films.

    A disk that takes nothing leaves it as it is; it is settled when takes are swept.

    Args:
        event: where it lies.
        take: as it is known.
        end_s: where what is shown ends, if the file goes on; None for the file's end.
        shapes: what films are wanted; None for what the event says.

    Returns:
        The take with ``recording`` False.
    """
    folder = event.paths.takes / take.id
    _, length_s = measured(folder / take.file)
    begin_s = min(take.begin_s, length_s)
    if end_s is not None and not begin_s < end_s < length_s:
        end_s = None
    take = replace(take, length_s=length_s, begin_s=begin_s, end_s=end_s, recording=False)
    if not length_s:
        take = take.noting("nothing was recorded")
    try:
        if length_s and not (folder / VIEW).exists():
            replace_file(folder / VIEW, open_take(event, take).view())
    except (PosewallError, OSError) as e:
        log.warning("take %s: no view was made (%s)", take.id, e)
    try:
        with held(event.paths.lock):
            # Somebody may have been taken out of it while it was recorded.
            take = replace(take, people=load_take(event, take.id).people)
            if length_s and not take.films:
                take = titled(event, take, shapes)
            return replace_take(event, take)
    except (PosewallError, OSError) as e:
        log.error("take %s: its record could not be written (%s)", take.id, e)
        return take
