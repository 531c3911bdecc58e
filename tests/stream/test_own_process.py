"""A module of the program run in another process: found, and nothing of the user's in its way."""

from __future__ import annotations

import os
import subprocess
import sysconfig
from pathlib import Path

import pytest

from stream.own_process import command, environment
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
