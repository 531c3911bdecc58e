"""The files of greetings that the operator's page shows: films, posters, and views of takes."""

from __future__ import annotations

from pathlib import Path

from stream.errors import UserError
from stream.event import Event
from stream.film.owner import film_owner
from stream.prints.naming import inside
from stream.prints.picture import picture_owner
from stream.shape import SHAPES
from stream.take import load_take
from stream.take.record import VIEW

FILM, POSTER = "mp4", "jpg"


def greeting_file(event: Event, take_id: str, name: str) -> Path:
    """A file of a take's greeting.

    Addresses name takes, never people: what a browser remembers of them tells nobody who was there.

    Args:
        event: the event.
        take_id: the take's id.
        name: "wide.mp4" or "tall.mp4" for a film, "wide.jpg" or "tall.jpg" for its poster,
            "view.jpg" for a view of the take.

    Raises:
        UserError: there is no such take or file, or it is not this take's.
    """
    take = load_take(event, take_id)
    if name == VIEW:
        path = event.paths.takes / take.id / VIEW
        if not path.is_file():
            raise UserError(f"Take {take.id} has no view.")
        return path
    shape, _, kind = name.partition(".")
    if shape not in SHAPES or kind not in (FILM, POSTER):
        raise UserError(f"A greeting has no file {name[:20]!r}; load the page again.")
    wanted = next((film for film in take.films if film.shape == shape), None)
    if wanted is None:
        raise UserError(f"Of take {take.id} no {shape} greeting is made.")
    path = inside(event.paths.films, wanted.film if kind == FILM else wanted.poster)
    owner = film_owner(path) if kind == FILM else picture_owner(path)
    if not path.is_file() or owner != take.unique:
        raise UserError(
            f"The {shape} greeting of take {take.id} is no longer where it was made; make it once "
            f"more with: posewall greet t{take.number:04d}"
        )
    return path
