"""An event of the tests' own, and films that are made fast."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from stream.event import Event
from tests.stream.batch.scenario import make_event
from tests.stream.film import ninth


@pytest.fixture
def event(tmp_path: Path) -> Event:
    return make_event(tmp_path)


@pytest.fixture
def small_films() -> Iterator[None]:
    """Films of a ninth of the pixels, where their size is not what is tested."""
    with ninth.ninth():
        yield
