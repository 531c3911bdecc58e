"""Takes whose program died while it recorded them: what was written is kept."""

from __future__ import annotations

import logging
from datetime import datetime

from filelock import Timeout

from stream.durable import StorageError, held
from stream.event import Event
from stream.take.finding import load_take, takes
from stream.take.record import Take, TakeError
from stream.take.recorder import LOCK, recording_lock
from stream.take.settling import settled

log = logging.getLogger("posewall.take")

CUT_OFF = "the program ended while this take was recorded; what was written until then is there"


def sweep_takes(event: Event) -> list[Take]:
    """Settle the takes that nobody records any more, though their records say so.

    Nothing is removed: a clip may just be added by another program.

    Returns:
        Those takes, as they are kept now.
    """
    if not event.paths.takes.is_dir():
        return []
    mended = []
    for take in takes(event):
        if not take.recording:
            continue
        folder = event.paths.takes / take.id
        lock = recording_lock(folder)
        try:
            # A new take has its name and its lock before anybody else has the event's.
            with held(event.paths.lock):
                lock.acquire()
        except (Timeout, OSError, StorageError):
            continue  # it is being recorded, by this program or by another
        try:
            take = load_take(event, take.id)
            if take.recording:
                take = settled(event, take.noting(CUT_OFF), take.end_s)
                mended.append(take)
                log.warning("take %s: %s (%.1f s)", take.id, CUT_OFF, take.length_s or 0.0)
        except TakeError as e:  # gone, or damaged, since it was listed
            log.error("take %s: %s", take.id, e)
        finally:
            lock.release()
            (folder / LOCK).unlink(missing_ok=True)
    return mended


def cut_off_takes(event: Event, since: datetime) -> list[Take]:
    """Takes that were cut off, whoever settled them, and after which nothing was recorded yet.

    Args:
        event: where they lie.
        since: those that were begun then or later; aware.
    """
    every = list(takes(event)) if event.paths.takes.is_dir() else []
    # Whoever recorded one after it was told of it at that start.
    after = max([since, *(take.begun for take in every if CUT_OFF not in take.notes)])
    return [take for take in every if CUT_OFF in take.notes and take.begun >= after]
