"""What is compiled beside the picture, and what is said of it."""

from __future__ import annotations

import os
import subprocess
import sys
import threading
from pathlib import Path

import pytest

from models.keyer import KeySettings
from stream.live.compiler import Compiler
from stream.live.compiling import ONCE, QUIET_S, Compiling, Progress, made_ready
from tests.house.tree import ROOT
from tests.stream.live.test_figures import Clock

PATIENCE_S = 20.0


def test_what_is_quick_is_not_spoken_of() -> None:
    said: list[str] = []
    compiling = Compiling(lambda progress: True, said.append, Clock())
    assert not compiling.ready
    assert not compiling.wait(0.0)
    compiling.start()
    compiling.start()
    assert compiling.wait(PATIENCE_S)
    assert compiling.ready
    assert compiling.state() is None
    assert said == []


def test_what_takes_longer_says_so_once_and_how_far_it_is() -> None:
    said: list[str] = []
    clock = Clock()
    half, go = threading.Event(), threading.Event()

    def load(progress: Progress) -> bool:
        progress(3, 7)
        half.set()
        return go.wait(PATIENCE_S)

    compiling = Compiling(load, said.append, clock)
    assert compiling.state() is None
    compiling.start()
    assert half.wait(PATIENCE_S)
    assert compiling.state() is None
    clock.now_s += QUIET_S + 0.1
    assert compiling.state() == "getting faster, step 3 of 7"
    assert compiling.state() == "getting faster, step 3 of 7"
    assert said == [ONCE]
    assert not compiling.ready
    go.set()
    assert compiling.wait(PATIENCE_S)
    assert compiling.ready
    assert compiling.state() is None
    assert len(said) == 2
    assert "full pace" in said[1]


def test_a_failure_is_one_sentence() -> None:
    said: list[str] = []

    def load(progress: Progress) -> bool:
        progress(1, 7)
        raise NotImplementedError("no such instruction")

    compiling = Compiling(load, said.append)
    compiling.start()
    assert compiling.wait(PATIENCE_S)
    assert not compiling.ready
    assert compiling.state() is None
    assert len(said) == 1
    assert "NotImplementedError" not in said[0]
    assert "goes on" in said[0]


@pytest.mark.parametrize("there", [True, False])
def test_what_is_done_before_use_is_done_before_anybody_is_told(there: bool) -> None:
    seen: list[tuple[bool, bool]] = []
    compiling = Compiling(
        lambda progress: there,
        lambda _: None,
        before_use=lambda: seen.append((compiling.ready, compiling.wait(0.0))),
    )
    compiling.start()
    assert compiling.wait(PATIENCE_S)
    compiling.join(PATIENCE_S)
    assert seen == [(False, False)]
    assert compiling.ready is there


def test_a_device_without_kernels_goes_on_without_a_word() -> None:
    said: list[str] = []
    compiling = Compiling(lambda progress: False, said.append)
    compiling.start()
    assert compiling.wait(PATIENCE_S)
    assert not compiling.ready
    assert said == []


def test_what_is_ended_before_compiles_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("models.kernels.load", lambda *_: pytest.fail("compiles all the same"))
    compiler = Compiler()
    compiler.end()
    assert not made_ready(
        "cpu",
        KeySettings(),
        1,
        lambda: (None, None),
        pytest.fail,
        compiler,
        lambda *_: pytest.fail("goes on"),
    )


# Without a folder to share all is compiled in the process itself.
ENDED_AFTER_TWO = """
from models.keyer import KeySettings
from stream.live.compiler import Compiler
from stream.live.compiling import made_ready

compiler, told, said = Compiler(), [], []

def progress(done, of):
    told.append(done)
    if done == 2:
        compiler.end()

def seen():
    return None, None

print(made_ready("cpu", KeySettings(), 1, seen, said.append, compiler, progress), told, *said)
"""


def test_what_is_ended_meanwhile_compiles_no_more_in_this_process_either(tmp_path: Path) -> None:
    about = os.environ | {"PYTHONPATH": str(ROOT), "HOME": str(tmp_path)}
    about.pop("NUMBA_CACHE_DIR", None)
    done = subprocess.run(
        [sys.executable, "-W", "ignore", "-c", ENDED_AFTER_TWO],
        env=about, check=True, capture_output=True, text=True,
    )  # fmt: skip
    assert done.stdout.strip() == "False [1, 2]"


FULL_DISK = """
import resource, signal

signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
resource.setrlimit(resource.RLIMIT_FSIZE, (100, 100))
"""


@pytest.mark.skipif(sys.platform == "win32", reason="a limit of files' sizes is needed")
def test_where_nothing_can_be_kept_the_keyer_is_made_and_it_is_said(tmp_path: Path) -> None:
    """getrlimit(2): beyond RLIMIT_FSIZE writing fails with EFBIG, as it does on a full disk."""
    about = os.environ | {"PYTHONPATH": str(ROOT), "XDG_CACHE_HOME": str(tmp_path)}
    about["NUMBA_CACHE_DIR"] = str(tmp_path / "kept")
    done = subprocess.run(
        [sys.executable, "-W", "ignore", "-c", FULL_DISK + ENDED_AFTER_TWO],
        env=about, check=True, capture_output=True, text=True,
    )  # fmt: skip
    assert "False [1, 2] What fits the program to this computer" in done.stdout
    assert "cannot be kept on disk (File too large)" in done.stdout
    assert done.stdout.count("cannot be kept") == 1
    assert "what is compiled cannot be kept" in done.stderr  # of the process apart, at its first
