"""The end of the live program: whatever fails in it, the rest is done."""

from __future__ import annotations

import gc
import threading
import time
from pathlib import Path
from typing import Any

import pytest
import torch

from stream.live.compiling import FAILED
from stream.live.link import read_link
from stream.live.session import Session
from stream.live.wishes import Wishes
from stream.pages.serve import PageServer
from tests.stream.live.evening import make_clip, make_event

PATIENCE_S = 120.0
OURS = {
    "compile", "key", "capture", "show", "tend", "keeper", "reader", "watch", "queue", "templates"
}  # fmt: skip


def ours() -> set[threading.Thread]:
    return {t for t in threading.enumerate() if t.name in OURS}


def over_in_time(threads: set[threading.Thread], patience_s: float = PATIENCE_S) -> bool:
    """The program waits for its threads, but not for ever on a busy machine."""
    end_s = time.monotonic() + patience_s
    for thread in threads:
        thread.join(max(0.0, end_s - time.monotonic()))
    return not any(t.is_alive() for t in threads)


def test_a_failure_at_the_end_keeps_nothing_else_from_ending(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    event = make_event(tmp_path)
    clip = make_clip(tmp_path / "walk.mp4", seconds=1.0)
    threads = torch.get_num_threads()
    session = Session(event, Wishes(str(clip), port=0, batch=False))
    stop, before = PageServer.stop, ours()

    def broken(self: PageServer) -> None:
        stop(self)
        raise RuntimeError("in the middle")

    monkeypatch.setattr(PageServer, "stop", broken)
    monkeypatch.setattr("stream.live.link.Link.remove", lambda *_: 1 / 0)
    try:
        session.start()
        assert gc.get_freeze_count() > 0
        with pytest.raises(RuntimeError, match="in the middle"):
            session.stop()
    finally:
        torch.set_num_threads(threads)
    assert gc.get_freeze_count() == 0
    assert over_in_time(ours() - before)
    assert read_link(event.paths.root) is not None  # what was broken here is the one thing left


def test_a_program_that_ends_has_its_compiler_end_at_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Not after the presses that are still being kept: those may take half a minute."""
    cache = tmp_path / "cache"
    monkeypatch.setenv("NUMBA_CACHE_DIR", str(cache))
    event = make_event(tmp_path)
    clip = make_clip(tmp_path / "walk.mp4", seconds=1.0)
    threads, before, said = torch.get_num_threads(), ours(), list[str]()
    session = Session(event, Wishes(str(clip), port=0, batch=False), said.append)
    asked, over_before_the_press = threading.Event(), list[bool]()

    def press() -> dict[str, Any]:
        asked.wait(PATIENCE_S)
        compiler = [t for t in ours() - before if t.name == "compile"]
        over_before_the_press.append(over_in_time(set(compiler), 20.0))  # the end waits 30
        return {}

    try:
        session.start()
        end_s = time.monotonic() + PATIENCE_S
        while not list(cache.rglob("*.nbc")):
            assert time.monotonic() < end_s
            time.sleep(0.05)
        session._keeper.do(press)
        monkeypatch.setattr("stream.live.link.Link.remove", lambda *_: asked.set())
        session.stop()
    finally:
        asked.set()
        torch.set_num_threads(threads)
    assert over_before_the_press == [True]
    assert over_in_time(ours() - before)
    assert not list(cache.glob("made-*"))
    assert FAILED not in said
