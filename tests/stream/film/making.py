"""Films made by tests: with a plain choice of the poster, and broken off."""

from __future__ import annotations

from typing import Any

import pytest

from stream.event import Event
from stream.film.progress import Stopped
from stream.film.render import FilmRenderer
from stream.take import Take


def renderer(event: Event, encoder: str = "libx264", **more: Any) -> FilmRenderer:
    """One whose posters show the candidate in the middle."""
    return FilmRenderer(event, encoder=encoder, rank=lambda f, s, p: [len(f) // 2], **more)


def broken_off(event: Event, take: Take, looks: int) -> None:
    """Make a take's films, and stop once it was asked so often whether to."""
    asked = 0

    def stop() -> bool:
        nonlocal asked
        asked += 1
        return asked > looks

    with pytest.raises(Stopped):
        renderer(event).make(take, stop=stop)
