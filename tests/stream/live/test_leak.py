"""The live program takes no more memory the longer it runs."""

from __future__ import annotations

import platform
import subprocess
import sys
from pathlib import Path

import pytest

from tests.house.tree import ROOT
from tests.stream.live.evening import make_clip, make_event

# Decoded frames, ring, keyer, pages' feed and figures as they run, unpaced by a longer clip's
# worth; what is measured is the anonymous memory: proc_pid_status(5), RssAnon.
RUN = """
import re, sys, time
from pathlib import Path
from stream.event import Event
from stream.live.session import Session
from stream.live.wishes import Wishes

def held():
    text = Path("/proc/self/status").read_text()
    return int(re.search(r"RssAnon:\\s+(\\d+)", text)[1]) / 1024

session = Session(Event.open(Path(sys.argv[1])), Wishes(sys.argv[2], port=0, batch=False))
session.start()
def until(frames):
    while session.meter.read().frames_in < frames:
        time.sleep(0.02)
until(int(sys.argv[3]))
first = held()
until(2 * int(sys.argv[3]))
figures = session.meter.read()
print(first, held(), figures.frames_out, figures.errors)
session.stop()
"""


@pytest.mark.skipif(platform.system() != "Linux", reason="reads /proc")
def test_twice_the_frames_take_the_same_memory(tmp_path: Path) -> None:
    size = (720, 1280)
    clip = make_clip(tmp_path / "long.mp4", seconds=2.0, size=size, rate=30)
    frames = 300
    done = subprocess.run(
        [sys.executable, "-c", RUN, str(make_event(tmp_path).paths.root), str(clip), str(frames)],
        cwd=ROOT, check=True, capture_output=True, text=True, timeout=180,
    )  # fmt: skip
    first, second, shown, errors = map(float, done.stdout.split())
    assert errors == 0
    assert shown > 20
    # 300 frames are 415 MB; before they were found in time they stayed. The allocator's own
    # wavering between pieces is some tens of MB.
    assert second - first < 110
