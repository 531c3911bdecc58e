"""An event of the tests' own."""

from __future__ import annotations

from pathlib import Path

import pytest

from stream.event import Event
from tests.stream.batch.scenario import make_event


@pytest.fixture
def event(tmp_path: Path) -> Event:
    return make_event(tmp_path)
