"""Kernels are compiled once, kept in the user's cache, and old versions are cleared away."""

from __future__ import annotations

import os
import subprocess
import sys
import time
from pathlib import Path

import pytest

from stream import compiled_code

ASK = """
import numpy as np
from stream.compiled_code import folder, keep
keep()
from models.kernels.cpu import compiled

@compiled.kernel()
def inner(x):
    return x * np.float32(2)

@compiled.kernel("void(f4[::1])")
def double(x):
    for i in range(x.size):
        x[i] = inner(x[i])

told = []
compiled.load(lambda done, total: told.append((done, total)))
x = np.ones(3, np.float32)
double(x)
print(x.tolist(), told, sum(double.stats.cache_hits.values()), any(folder().rglob("*.nbi")))
"""
# Two kernels of one text, told apart by what they close over.
TWINS = """
import numpy as np
from stream.compiled_code import keep
keep()
from models.kernels.cpu import compiled

def made(twice):
    def scale(x):
        for i in range(x.size):
            x[i] *= np.float32(2) if twice else np.float32(3)
    return compiled.kernel("void(f4[::1])")(scale)

both = made(True), made(False)
compiled.load()
x = np.ones(1, np.float32)
for one in both:
    one(x)
    print(x.tolist(), sum(one.stats.cache_hits.values()))
"""
ROOT = Path(__file__).resolve().parents[2]


def run(home: Path, code: str = ASK) -> str:
    script = home / "ask.py"
    if not script.exists():
        script.write_text(code, "utf-8")
    chosen = {"NUMBA_CACHE_DIR", "TRITON_CACHE_DIR"}
    about = {k: v for k, v in os.environ.items() if k not in chosen}
    about |= {"XDG_CACHE_HOME": str(home), "PYTHONPATH": str(ROOT)}
    about |= {"HOME": str(home), "LOCALAPPDATA": str(home)}
    done = subprocess.run(
        [sys.executable, str(script)], env=about, capture_output=True, text=True, check=True
    )
    return done.stdout.strip()


def test_what_was_compiled_is_read_the_next_time(tmp_path: Path) -> None:
    first, second = run(tmp_path), run(tmp_path)
    assert first == "[2.0, 2.0, 2.0] [(1, 1)] 0 True"
    assert second == "[2.0, 2.0, 2.0] [(1, 1)] 1 True"


def test_kernels_of_one_text_are_kept_apart(tmp_path: Path) -> None:
    first, second = run(tmp_path, TWINS), run(tmp_path, TWINS)
    assert first.splitlines() == ["[2.0] 0", "[6.0] 0"]
    assert second.splitlines() == ["[2.0] 1", "[6.0] 1"]


def test_folders_of_old_versions_go(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path))
    monkeypatch.setenv("LOCALAPPDATA", str(tmp_path))
    monkeypatch.setenv("HOME", str(tmp_path))
    monkeypatch.delenv("NUMBA_CACHE_DIR", raising=False)
    monkeypatch.setenv("TRITON_CACHE_DIR", "/chosen")
    here = compiled_code.folder()
    old, young = here.with_name("kernels-old"), here.with_name("kernels-young")
    for one in (old, young):
        one.mkdir(parents=True)
    long_ago = time.time() - 40 * 24 * 3600
    os.utime(old, (long_ago, long_ago))
    compiled_code.keep()
    assert not old.exists()
    assert young.exists()
    assert here.is_dir()
    assert os.environ["NUMBA_CACHE_DIR"] == str(here)
    assert os.environ["TRITON_CACHE_DIR"] == "/chosen"


def test_of_many_versions_the_newest_stay_and_those_in_use(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for name in ("XDG_CACHE_HOME", "LOCALAPPDATA", "HOME"):
        monkeypatch.setenv(name, str(tmp_path))
    for name in ("NUMBA_CACHE_DIR", "TRITON_CACHE_DIR"):
        monkeypatch.setenv(name, "/chosen")
    here = compiled_code.folder()
    hours = [0.5, 1, 2, 3, 5, 20, 30, 40, 24 * 40]
    for age in hours:
        one = here.with_name(f"kernels-{age}")
        (one / "below").mkdir(parents=True)
        (one / "below" / "code.nbc").write_bytes(b"code")
        then = time.time() - age * 3600
        os.utime(one, (then, then))
    left_behind = here.with_name("going-1")
    left_behind.mkdir()
    beside = here.with_name("fonts")
    beside.mkdir()
    compiled_code.keep()
    left = {path.name for path in here.parent.iterdir()}
    # Begun within an evening, whatever their number; of the rest none is among the newest.
    assert left == {here.name, "fonts", *(f"kernels-{age}" for age in (0.5, 1, 2, 3, 5))}
    for age in (0.5, 1, 2):
        then = time.time() - 20 * 3600 - age
        os.utime(here.with_name(f"kernels-{age}"), (then, then))
    compiled_code.keep()
    left = {path.name for path in here.parent.glob("kernels-*")}
    assert left == {here.name, "kernels-3", "kernels-5", "kernels-0.5"}


def test_without_a_place_the_libraries_choose(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "file").write_text("")
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "file"))
    monkeypatch.setattr(sys, "platform", "linux")
    monkeypatch.delenv("NUMBA_CACHE_DIR", raising=False)
    compiled_code.keep()
    assert "NUMBA_CACHE_DIR" not in os.environ


def test_where_nothing_can_be_kept_kernels_are_compiled_all_the_same(tmp_path: Path) -> None:
    nowhere = tmp_path / "file"
    nowhere.write_text("")
    about = os.environ | {"XDG_CACHE_HOME": str(nowhere), "HOME": str(nowhere)}
    about |= {"NUMBA_CACHE_DIR": str(nowhere / "below"), "PYTHONPATH": str(ROOT)}
    code = """
import numpy as np
from models.kernels.cpu import compiled

@compiled.kernel("void(f4[::1])")
def double(x):
    for i in range(x.size):
        x[i] *= np.float32(2)

compiled.load()
x = np.ones(2, np.float32)
double(x)
print(x.tolist(), len(compiled.unkept))
"""
    done = subprocess.run(
        [sys.executable, "-c", code], env=about, capture_output=True, text=True, check=True
    )
    assert done.stdout.strip() == "[2.0, 2.0] 1"
