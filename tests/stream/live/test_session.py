"""The end of the live program: whatever fails in it, the rest is done."""

from __future__ import annotations

import gc
import threading
from pathlib import Path

import pytest
import torch

from stream.live.link import read_link
from stream.live.session import Session
from stream.live.wishes import Wishes
from stream.pages.serve import PageServer
from tests.stream.live.evening import make_clip, make_event

OURS = {"compile", "key", "capture", "show", "tend", "keeper", "reader", "watch"}


def test_a_failure_at_the_end_keeps_nothing_else_from_ending(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    event = make_event(tmp_path)
    clip = make_clip(tmp_path / "walk.mp4", seconds=1.0)
    threads = torch.get_num_threads()
    session = Session(event, Wishes(str(clip), port=0, batch=False))
    stop = PageServer.stop

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
    left = {t.name for t in threading.enumerate()} & OURS
    assert left == set()
    assert read_link(event.paths.root) is not None  # what was broken here is the one thing left
