"""A region of an X11 screen, on a virtual one: the stand-in for a capture device."""

from __future__ import annotations

import os
import queue
import shutil
import signal
import subprocess
from collections.abc import Iterator

import pytest

from models.color import SRGB_8BIT
from stream.capture.errors import SourceError
from stream.capture.source import Mode, open_source
from stream.capture.watch import Watched, WatchState, WatchStatus


class Screen:
    """A virtual screen, with a root window of one colour."""

    def __init__(self) -> None:
        self.process = subprocess.Popen(
            [
                "Xvfb",
                "-displayfd",
                "1",
                "-screen",
                "0",
                "320x240x24",
                "-noreset",
                "-nolisten",
                "tcp",
            ],
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            text=True,
        )
        assert self.process.stdout is not None
        self.display = f":{self.process.stdout.readline().strip()}"

    def paint(self, colour: str) -> None:
        environ = {**os.environ, "DISPLAY": self.display}
        subprocess.run(["xsetroot", "-solid", colour], env=environ, check=True)

    def stop(self) -> None:
        self.process.terminate()
        self.process.communicate()


@pytest.fixture
def screen(monkeypatch: pytest.MonkeyPatch) -> Iterator[Screen]:
    for program in ("Xvfb", "xsetroot"):
        if shutil.which(program) is None and not os.environ.get("CI"):
            pytest.skip(f"{program} is not installed")
    made = Screen()
    monkeypatch.setenv("DISPLAY", made.display)
    yield made
    made.stop()


def test_a_region_comes_as_exact_rgb(screen: Screen) -> None:
    screen.paint("#123456")
    source = open_source("screen:100x80+20+10", mode=Mode(rate=50), quarter_turns=1)
    source.open()
    frame = source.read()
    source.close()
    assert frame is not None
    assert frame.encoding == SRGB_8BIT
    assert [sorted(set(p.flatten().tolist())) for p in frame.planes] == [[0x12], [0x34], [0x56]]
    assert frame.planes[0].shape == (80, 100)
    assert frame.upright_size == (100, 80)
    assert frame.pts is not None


def test_a_region_outside_of_the_screen_is_refused(screen: Screen) -> None:
    source = open_source("screen:1000x800+0+0")
    with pytest.raises(SourceError, match=r"screen:1000x800\+0\+0: cannot be opened"):
        source.open()


def test_a_read_that_hangs_is_replaced_and_the_picture_comes_back(screen: Screen) -> None:
    news: queue.Queue[WatchStatus] = queue.Queue()

    def until(state: WatchState) -> WatchStatus:
        while (status := news.get(timeout=15)).state is not state:
            pass
        return status

    with Watched(
        lambda: open_source("screen:100x80+0+0"),
        on_change=news.put,
        silent_after_s=0.6,
        give_up_after_s=1.2,
    ) as watched:
        until(WatchState.LIVE)
        screen.process.send_signal(signal.SIGSTOP)  # its answer never comes, and no limit helps
        until(WatchState.SILENT)
        assert "trying again" in until(WatchState.LOST).sentence
        screen.process.send_signal(signal.SIGCONT)
        before = watched.frames_in
        until(WatchState.LIVE)
        assert watched.latest(before - 1, 10) is not None
