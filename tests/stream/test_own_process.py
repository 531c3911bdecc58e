"""A module of the program run in another process: found, and nothing of the user's in its way."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import sysconfig
from pathlib import Path

import pytest

from stream.own_process import command, environment, how_it_ended
from tests.house.tree import ROOT


@pytest.mark.parametrize("before", ["", os.pathsep, f"{os.pathsep}elsewhere"])
def test_the_same_program_is_found_and_not_the_current_folder(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, before: str
) -> None:
    """Python's documentation, "-P" and "PYTHONPATH"."""
    (tmp_path / "inspect.py").write_text('raise SystemExit("run from the current folder")')
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("PYTHONPATH", before)
    done = subprocess.run(
        command("stream.cli", "--help"), env=environment(), capture_output=True, text=True
    )
    assert (done.returncode, done.stderr) == (0, "")
    assert "live" in done.stdout
    assert environment()["PYTHONPATH"].split(os.pathsep)[0] == str(ROOT)


def test_installed_packages_are_not_put_before_the_standard_library(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("PYTHONPATH", "mine")
    paths = sysconfig.get_paths() | {"purelib": str(ROOT)}
    monkeypatch.setattr(sysconfig, "get_paths", lambda: paths)
    assert environment()["PYTHONPATH"] == "mine"


@pytest.mark.skipif(sys.platform != "linux", reason="only Linux tells a process to run idle")
@pytest.mark.parametrize("idle", [False, True])
def test_a_process_stands_back(idle: bool) -> None:
    """One that may run idle does, or goes as far below as the others."""
    script = (
        f"import os; from stream.own_process import stand_back; stand_back(7, idle={idle}); "
        "print(os.sched_getscheduler(0) == os.SCHED_IDLE, os.nice(0))"
    )
    words = [sys.executable, "-c", script]
    before = os.nice(0)
    told = subprocess.run(words, env=environment(), capture_output=True, text=True, check=True)
    lower, nice = told.stdout.split()
    assert (lower, int(nice)) in {("True", before), ("False", min(before + 7, 19))}
    assert idle or lower == "False"


def test_why_a_process_ended_is_said_for_people() -> None:
    assert how_it_ended(-9).startswith("was ended by the system, as happens when memory runs out")
    assert how_it_ended(-11) == f"broke off ({signal.strsignal(11)})"
    assert how_it_ended(1) == "ended before its time (code 1)"
