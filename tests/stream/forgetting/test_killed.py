"""A run that dies at any step can be done again, and then nothing of the person is left.

The first run counts what changes the disk or the store; then a run is stopped before or after each
kind of change in each function, and does nothing more from there, as a killed one does.
"""

from __future__ import annotations

import os
import shutil
import sqlite3
import sys
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from types import FrameType
from typing import Any

import pytest

from tests.stream.forgetting.leaving import Left, run
from tests.stream.forgetting.test_forget import nothing_left

WORDS = ("event", "forget", "103", "--yes", "--event")
_HERE = (f"forgetting{os.sep}", "removal.py", "durable.py")


class KilledError(BaseException):
    """Stands for the end of the process."""


class Deadline:
    """Counts changes and ends the run at one of them."""

    def __init__(self) -> None:
        self.labels: list[tuple[str, str]] = []
        self.at: int | None = None
        self.after = False
        self.dead = False

    def __call__(self, what: str, change: Callable[[], Any]) -> Any:
        if self.dead:
            raise KilledError
        self.labels.append((what, _whose()))
        here = self.at == len(self.labels) - 1
        if here and not self.after:
            self.dead = True
            raise KilledError
        done = change()
        if here:
            self.dead = True
            raise KilledError
        return done


def _whose() -> str:
    frame: FrameType | None = sys._getframe(2)
    while frame is not None:
        name = frame.f_code.co_filename
        if any(h in name for h in _HERE) and "tests" not in name:
            return f"{Path(name).name}:{frame.f_code.co_name}"
        frame = frame.f_back
    return "elsewhere"


def _watched(monkeypatch: pytest.MonkeyPatch, deadline: Deadline) -> None:
    for what in ("unlink", "rename", "replace", "rmdir"):
        plain = getattr(os, what)
        monkeypatch.setattr(
            os,
            what,
            lambda *a, _plain=plain, _what=what, **k: deadline(_what, lambda: _plain(*a, **k)),
        )

    class Connection(sqlite3.Connection):
        def execute(self, sql: str, *rest: Any) -> sqlite3.Cursor:
            word = sql.split()[0]
            if word in ("DELETE", "COMMIT", "VACUUM") or "checkpoint" in sql:
                return deadline(word, lambda: super(Connection, self).execute(sql, *rest))  # type: ignore[no-any-return]
            return super().execute(sql, *rest)

    plain_connect = sqlite3.connect
    monkeypatch.setattr(
        "stream.forgetting.records.sqlite3.connect",
        lambda *a, **k: plain_connect(*a, **{**k, "factory": Connection}),
    )


@pytest.mark.parametrize("kept", [False, True])
def test_a_killed_run_is_done_again(
    evening: Left, tmp_path: Path, kept: bool, capsys: pytest.CaptureFixture[str]
) -> None:
    choice = ("--group-shots", "keep" if kept else "remove")

    def fresh() -> Left:
        folder = tmp_path / "walk"
        shutil.rmtree(folder, ignore_errors=True)
        shutil.copytree(evening.folder, folder)
        return replace(evening, folder=folder)

    left, whole = fresh(), Deadline()
    with pytest.MonkeyPatch.context() as patch:
        _watched(patch, whole)
        assert run(*WORDS, left.folder, *choice) == 0
    first: dict[tuple[str, str], int] = {}
    for n, label in enumerate(whole.labels):
        first.setdefault(label, n)
    kinds = {what for what, _ in first}
    assert {"unlink", "rename", "replace", "rmdir", "COMMIT", "VACUUM"} <= kinds
    assert len(first) >= 9
    ended = 0
    # Each record and list that is written, and each folder that goes, is a step of its own.
    steps = {n for n, (what, _) in enumerate(whole.labels) if what in ("replace", "rename")}
    for n, at in enumerate(sorted({*first.values(), *steps, len(whole.labels) - 1})):
        left, deadline = fresh(), Deadline()
        deadline.at, deadline.after = at, bool((n + kept) % 2)
        with pytest.MonkeyPatch.context() as patch:
            _watched(patch, deadline)
            with pytest.raises(KilledError):
                run(*WORDS, left.folder, *choice)
        ended += 1
        if (left.folder / "roster.csv").read_text("utf-8").find("103,") >= 0:
            # Everybody who is still on the list is found by name.
            assert run("event", "forget", "Öberg", *WORDS[3:], left.folder, *choice) == 0
        nothing_left(left, (left.group, left.laid) if kept else ())
    assert ended >= 9
    capsys.readouterr()
