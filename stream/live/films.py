"""The files of greetings that the operator's page shows: films, posters, and views of takes."""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache
from pathlib import Path

from stream.errors import UserError
from stream.event import Event
from stream.film.owner import film_owner
from stream.prints.naming import inside
from stream.prints.picture import picture_owner
from stream.shape import SHAPES
from stream.take import Take, load_take
from stream.take.record import RECORD, VIEW

FILM, POSTER = "mp4", "jpg"
# chosen: the takes that a page shows, each with two films and two posters, and some to spare.
REMEMBERED = 64
Mark = tuple[int, int, int]
"""Tells a file from what was or will be under its name."""


def _mark(path: Path) -> Mark | None:
    try:
        state = path.stat()
    except (OSError, ValueError):
        return None
    return state.st_mtime_ns, state.st_size, state.st_ino


class _NobodysError(Exception):
    """A file is no take's, or could not be read just now, which is not to be remembered."""


class GreetingFiles:
    """Finds them. Threads may share it.

    A browser asks for a film in many parts, and the picture runs in the same process: whose a file
    is, is looked up once as long as the file stays as it is.

    Args:
        event: the event.
        load: reads the record of a take.
        film_of, poster_of: the ``unique`` of the take that a film or a poster is of, or None.
    """

    def __init__(
        self,
        event: Event,
        load: Callable[[Event, str], Take] = load_take,
        film_of: Callable[[Path], str | None] = film_owner,
        poster_of: Callable[[Path], str | None] = picture_owner,
    ) -> None:
        self._event, self._load = event, load
        self._of = {FILM: film_of, POSTER: poster_of}
        # Neither remembers what was raised.
        self._take = lru_cache(REMEMBERED)(self._read)
        self._owner = lru_cache(REMEMBERED)(self._looked_up)

    def _read(self, take_id: str, mark: Mark) -> Take:
        return self._load(self._event, take_id)

    def _looked_up(self, path: Path, kind: str, mark: Mark) -> str:
        owner = self._of[kind](path)
        if owner is None:
            raise _NobodysError
        return owner

    def __call__(self, take_id: str, name: str) -> Path:
        """A file of a take's greeting.

        Addresses name takes, never people: what a browser remembers of them tells nobody who was
        there.

        Args:
            take_id: the take's id.
            name: "wide.mp4" or "tall.mp4" for a film, "wide.jpg" or "tall.jpg" for its poster,
                "view.jpg" for a view of the take.

        Raises:
            UserError: there is no such take or file, or it is not this take's.
        """
        paths = self._event.paths
        mark = _mark(paths.takes / take_id / RECORD)
        take = self._take(take_id, mark) if mark else self._load(self._event, take_id)
        if name == VIEW:
            path = paths.takes / take.id / VIEW
            if not path.is_file():
                raise UserError(f"Take {take.id} has no view.")
            return path
        shape, _, kind = name.partition(".")
        if shape not in SHAPES or kind not in (FILM, POSTER):
            raise UserError(f"A greeting has no file {name[:20]!r}; load the page again.")
        wanted = next((film for film in take.films if film.shape == shape), None)
        if wanted is None:
            raise UserError(f"Of take {take.id} no {shape} greeting is made.")
        path = inside(paths.films, wanted.film if kind == FILM else wanted.poster)
        if not self._is_of(take, path, kind):
            raise UserError(
                f"The {shape} greeting of take {take.id} is no longer where it was made; make it "
                f"once more with: posewall greet t{take.number:04d}"
            )
        return path

    def _is_of(self, take: Take, path: Path, kind: str) -> bool:
        mark = _mark(path)
        try:
            return mark is not None and self._owner(path, kind, mark) == take.unique
        except _NobodysError:
            return False
