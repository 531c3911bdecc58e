"""Nobody else works on an event while something is taken out of it."""

from __future__ import annotations

import socket
from collections.abc import Iterator
from contextlib import contextmanager

from filelock import Timeout

from stream.batch.worker import worker_lock
from stream.errors import UserError
from stream.event import Event
from stream.live.link import read_link
from stream.pages.guard import LOOPBACK


def live_at_work(event: Event) -> bool:
    """Whether the event's live program runs: its process is there and its port answers."""
    link = read_link(event.paths.root)
    if link is None or not link.alive():
        return False
    try:
        with socket.create_connection((LOOPBACK, link.port), timeout=2):
            return True
    except ConnectionRefusedError:
        # Killed, and its process id given to another program since.
        return False
    except OSError:
        return True


@contextmanager
def alone(event: Event) -> Iterator[None]:
    """Nobody makes pictures of the event while the block runs.

    Raises:
        UserError: a live program runs, or pictures are being made.
    """
    if live_at_work(event):
        raise UserError(
            f"the live program of {event.name} is running; end it first, so that nothing new is "
            "kept meanwhile, and do it again. Nothing was removed."
        )
    lock = worker_lock(event)
    try:
        lock.acquire(timeout=0)
    except Timeout as e:
        raise UserError(
            f"pictures of {event.name} are being made; wait for 'posewall batch run' to end, or "
            "stop it, and do it again. Nothing was removed."
        ) from e
    try:
        yield
    finally:
        lock.release()
