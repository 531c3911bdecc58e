"""One event, made once and copied for each test."""

from __future__ import annotations

import shutil
from dataclasses import replace
from pathlib import Path

import pytest

from tests.stream.forgetting.leaving import Left, build


@pytest.fixture(scope="session")
def evening(tmp_path_factory: pytest.TempPathFactory) -> Left:
    return build(tmp_path_factory.mktemp("evening"))


@pytest.fixture
def left(evening: Left, tmp_path: Path) -> Left:
    folder = tmp_path / "walk"
    shutil.copytree(evening.folder, folder)
    return replace(evening, folder=folder)
