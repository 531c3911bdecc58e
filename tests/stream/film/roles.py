"""What makes a film in a process of its own and is killed there."""

from __future__ import annotations

from multiprocessing.connection import Connection

from stream.event import Event
from stream.film.progress import Progress
from stream.film.render import FilmRenderer
from stream.take import load_take
from tests.stream.batch.roles import work
from tests.stream.film.small import make_small


def render(root: str, take_id: str, told: Connection) -> None:
    """Make the films of a take, small ones; tell of every frame."""
    make_small()
    event = Event.open(root)

    def seen(progress: Progress) -> None:
        told.send(progress.done)

    renderer = FilmRenderer(event, encoder="libx264", rank=lambda f, s, p: [len(f) // 2])
    renderer.make(load_take(event, take_id), seen)
    told.send(-1)


def work_small(root: str, first: int, told: Connection) -> None:
    """The worker, which makes small films."""
    make_small()
    work(root, first, told)
