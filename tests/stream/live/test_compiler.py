"""Kernels compiled by a process beside: ended in time, and not begun where it would be in vain."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
import threading
from pathlib import Path

import pytest

from stream.live.compiler import Compiler, Filled
from tests.house.tree import ROOT

PATIENCE_S = 120.0


@pytest.fixture
def cache(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("NUMBA_CACHE_DIR", str(tmp_path))
    monkeypatch.chdir(ROOT)
    return tmp_path


IN_THE_WAY = 'raise SystemExit("a file of the current folder was run")'


def test_it_goes_on_through_a_key_s_signal_until_it_is_ended_and_begins_no_more(
    cache: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A terminal sends SIGINT to all of its processes (POSIX.1, General Terminal Interface).

    Meanwhile files of the user's current folder are not run.
    """
    pictures = tmp_path / "pictures"
    pictures.mkdir()
    for name in ("inspect", "secrets", "stream"):
        (pictures / f"{name}.py").write_text(IN_THE_WAY)
    monkeypatch.chdir(pictures)
    monkeypatch.setenv("PYTHONPATH", "")
    compiler, begun = Compiler(), threading.Event()
    found: list[Filled] = []
    told: list[tuple[int, int]] = []

    def progress(done: int, of: int) -> None:
        told.append((done, of))
        if done == 1:
            assert compiler._process is not None
            if hasattr(os, "getpgid"):  # also before its own code runs
                assert os.getpgid(compiler._process.pid) != os.getpgid(0)
            compiler._process.send_signal(signal.SIGINT)
        if done == 3:
            begun.set()

    thread = threading.Thread(target=lambda: found.append(compiler.fill("cpu", progress)))
    thread.start()
    assert begun.wait(PATIENCE_S)
    compiler.end()
    thread.join(PATIENCE_S)
    assert found == [Filled.ENDED]
    assert [done for done, _ in told[:3]] == [1, 2, 3]
    assert told[-1][0] < told[-1][1]
    assert list(cache.rglob("*.nbc")), "what was compiled until then is kept"
    assert not list(cache.glob("made-*"))
    assert compiler.fill("cpu", progress) is Filled.ENDED


def test_nothing_is_compiled_apart_for_a_card_or_without_a_cache(
    cache: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    told: list[tuple[int, int]] = []
    assert Compiler().fill("cuda", lambda *p: told.append(p)) is Filled.NOT_APART
    monkeypatch.delenv("NUMBA_CACHE_DIR")
    assert Compiler().fill("cpu", lambda *p: told.append(p)) is Filled.NOT_APART
    assert told == []
    assert not list(cache.iterdir())


def test_a_mark_that_cannot_be_made_leaves_it_to_the_program(
    cache: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    nowhere = cache / "file"
    nowhere.write_text("")
    monkeypatch.setenv("NUMBA_CACHE_DIR", str(nowhere / "below"))
    monkeypatch.setattr("stream.own_process.command", lambda *_: [sys.executable, "-c", "pass"])
    assert Compiler().fill("cpu", lambda *_: None) is Filled.NOT_APART


def test_a_compiler_that_fails_leaves_it_to_the_program(
    cache: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("NUMBA_DISABLE_JIT", "1")  # numba then has nothing to compile
    assert Compiler().fill("cpu", lambda *_: None) is Filled.NOT_APART
    assert not list(cache.glob("made-*"))


PROGRAM = """
import os, sys
sys.path.insert(0, sys.argv[1])
from stream.live.compiler import mark_file
print(mark_file().name)
for touched in sys.argv[2:]:
    os.utime(touched, (1.0, 1.0))
    print(mark_file().name)
"""


def _marks_of(program: Path, *touched: Path) -> list[str]:
    """As the program there tells it, and once more after each file that is touched."""
    done = subprocess.run(
        [sys.executable, "-c", PROGRAM, str(program), *map(str, touched)],
        cwd=program, check=True, capture_output=True, text=True,
    )  # fmt: skip
    return done.stdout.split()


def test_a_program_that_was_moved_or_put_there_anew_is_compiled_anew(
    cache: Path, tmp_path: Path
) -> None:
    """numba's documentation, "Notes on caching": it looks at a file's place and its time."""
    first, second = tmp_path / "first", tmp_path / "second"
    for program in (first, second):
        for package in ("models", "stream"):
            shutil.copytree(
                ROOT / package,
                program / package,
                ignore=shutil.ignore_patterns("__pycache__", "weights", "training"),
            )
    names = [*_marks_of(second), *_marks_of(first)]
    names += _marks_of(first, first / "models" / "kernels" / "cpu" / "core.py")
    assert names[1] == names[2]
    assert len(names) == 4
    assert len(set(names)) == 3
