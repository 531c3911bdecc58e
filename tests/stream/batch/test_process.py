"""The worker in a process of its own, begun from whatever folder the user stands in."""

from __future__ import annotations

import time
from pathlib import Path

import pytest

from stream.batch import WorkerProcess
from tests.stream.batch.scenario import make_event

PATIENCE_S = 120.0


def test_files_of_the_current_folder_are_not_run(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Python's documentation, "-P": a module is otherwise looked for there first."""
    event = make_event(tmp_path)
    pictures = tmp_path / "pictures"
    pictures.mkdir()
    for name in ("inspect", "secrets", "stream"):
        (pictures / f"{name}.py").write_text('raise SystemExit("run from the current folder")')
    monkeypatch.chdir(pictures)
    monkeypatch.setenv("PYTHONPATH", "")
    worker = WorkerProcess(event)
    worker.start()
    end_s = time.monotonic() + PATIENCE_S
    while worker.alive and not event.paths.queue.exists() and time.monotonic() < end_s:
        time.sleep(0.05)
    assert event.paths.queue.exists()
    worker.stop()
