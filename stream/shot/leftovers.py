"""What is left in an event's folders that nobody will need."""

from __future__ import annotations

import logging

from stream.durable import sweep_partials
from stream.event import Event
from stream.shot.choice import sweep_runners
from stream.shot.finding import shot_ids

log = logging.getLogger("posewall.shot")


def sweep_leftovers(event: Event) -> int:
    """Remove what processes that died left unfinished in the event's folders.

    Runners-up that the event does not want kept any more go, too.
    """
    folders = (
        event.paths.root,
        event.paths.shots,
        event.paths.plates,
        event.paths.pictures,
        *(f for f in event.paths.pictures.rglob("*") if f.is_dir()),
        event.paths.template_versions,
        *(f for f in event.paths.template_versions.iterdir() if f.is_dir()),
    )
    count = sum(sweep_partials(f) for f in folders)
    count += sum(sweep_partials(event.paths.shots / i) for i in shot_ids(event))
    if count:
        log.info("removed %d unfinished leftovers", count)
    sweep_runners(event)
    return count
