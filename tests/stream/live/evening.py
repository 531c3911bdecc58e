"""A small event of our own: a painted template, a roster and a clip, made anew for each test."""

from __future__ import annotations

import json
import os
import pty
import subprocess
import sys
import threading
import time
from fractions import Fraction
from pathlib import Path
from types import TracebackType
from typing import Any

import av
import numpy as np
from PIL import Image

from stream.event import Event
from stream.live.link import Link, ask, read_link

PATIENCE_S = 60.0
RATE = 12
"""Frames a second of the usual clip: enough to choose from, and the program is idle in between, so
that what else is tested gets on with a processor or two."""
ROSTER = "number,name,group\n007,Mira Tollan,Herons\n012,Oskar Venn,Herons\n31,Sela Marsh,Otters\n"
TEMPLATE = """
[picture]
width_in = 3.2
height_in = 1.8
ppi = 100

[slot]
above = "back"
fit = "cover"
anchor = "bottom"

[[text]]
value = "{name}"
above = "front"
box = [10, 150, 300, 26]
size = 20
color = "#ffffff"
"""


def make_template(folder: Path) -> Path:
    """A plain warm backdrop and a bar before the subject, 320 x 180 pixels."""
    folder.mkdir(parents=True)
    back = np.zeros((180, 320, 4), np.uint8)
    back[...] = (200, 90, 60, 255)
    front = np.zeros((180, 320, 4), np.uint8)
    front[148:178, :] = (20, 40, 80, 255)
    Image.fromarray(back).save(folder / "10-back.png")
    Image.fromarray(front).save(folder / "20-front.png")
    (folder / "template.toml").write_text(TEMPLATE, "utf-8")
    return folder


def make_event(parent: Path) -> Event:
    """The event's folder, ready for a live program."""
    roster = parent / "list.csv"
    roster.write_text(ROSTER, "utf-8")
    return Event.create(
        parent / "evening",
        "Lantern walk",
        roster=roster,
        templates=[make_template(parent / "made" / "dusk")],
    )


def make_clip(
    path: Path, *, seconds: float = 4.0, size: tuple[int, int] = (180, 320), rate: int = RATE
) -> Path:
    """A grey block wandering before a green screen."""
    high, wide = size
    with av.open(str(path), "w") as container:
        stream = container.add_stream("libx264", rate=rate)
        stream.width, stream.height, stream.pix_fmt = wide, high, "yuv420p"
        stream.options = {"preset": "ultrafast", "crf": "12"}
        stream.time_base = stream.codec_context.time_base = Fraction(1, rate)
        for n in range(round(rate * seconds)):
            picture = np.zeros((high, wide, 3), np.uint8)
            picture[...] = (40, 170, 60)
            left = int((0.5 + 0.3 * np.sin(2 * n / rate)) * wide) - wide // 10
            picture[high // 4 :, left : left + wide // 5] = (150, 140, 145)
            frame = av.VideoFrame.from_ndarray(picture, "rgb24")
            frame.pts, frame.time_base = n, Fraction(1, rate)
            container.mux(stream.encode(frame))
        container.mux(stream.encode(None))
    return path


class LiveProcess:
    """`posewall live` in a process of its own, while the block lasts."""

    def __init__(self, event: Event, source: str | Path, *options: str) -> None:
        self.event = event
        self.lines: list[str] = []
        self._command = [
            sys.executable,
            "-c",
            RUN,
            "live",
            "--event",
            str(event.paths.root),
            "--source",
            str(source),
            "--port",
            "0",
            *options,
        ]

    def __enter__(self) -> LiveProcess:
        # A terminal of its own, so that its keys can be pressed.
        self._keyboard, inside = pty.openpty()
        self.process = subprocess.Popen(
            self._command,
            stdin=inside,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.PIPE,
            text=True,
            env=os.environ | {"OMP_WAIT_POLICY": "PASSIVE"},
        )
        os.close(inside)
        self._reader = threading.Thread(target=self._read, daemon=True)
        self._reader.start()
        return self

    def press(self, key: str) -> None:
        """Press a key in its terminal."""
        os.write(self._keyboard, key.encode())

    def _read(self) -> None:
        assert self.process.stderr is not None
        self.lines.extend(iter(self.process.stderr.readline, ""))

    @property
    def said(self) -> str:
        """What it has written to the terminal."""
        return "".join(self.lines)

    @property
    def link(self) -> Link:
        """Where it answers, once it does."""
        link = self.until(self._own_link)
        assert isinstance(link, Link)
        return link

    def _own_link(self) -> Link | None:
        link = read_link(self.event.paths.root)
        return link if link is not None and link.pid == self.process.pid else None

    def until(self, check: Any) -> Any:
        """Wait until a function gives something true; that."""
        end = time.monotonic() + PATIENCE_S
        while not (value := check()):
            assert self.process.poll() is None, f"it ended: {self.said}"
            assert time.monotonic() < end, f"it never came: {self.said}"
            time.sleep(0.05)
        return value

    def state(self) -> dict[str, Any]:
        """What the pages show."""
        return ask(self.link, "/state")

    def until_live(self) -> None:
        """Wait until pictures are shown."""
        self.until(lambda: self.state()["pictures"] > 3)

    def until_told(self, words: str) -> None:
        """Wait until everything was read that it wrote, it having ended, and look for words."""
        self._reader.join(PATIENCE_S)
        assert words in self.said

    def command(self, *words: str) -> subprocess.CompletedProcess[str]:
        """A command in another process, as from another terminal."""
        return command(self.event, *words)

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if self.process.poll() is None:
            self.process.terminate()
            try:
                self.process.wait(30)
            except subprocess.TimeoutExpired:
                self.process.kill()
                self.process.wait(10)
        os.close(self._keyboard)
        self._reader.join(10)
        assert self.process.stderr is not None
        self.process.stderr.close()


# The live commands alone, as the program's own command line offers them.
RUN = """
import argparse, sys
from stream.errors import UserError
from stream.live.commands import add_commands
parser = argparse.ArgumentParser()
add_commands(parser.add_subparsers(required=True))
args = parser.parse_args()
try:
    sys.exit(args.run(args))
except UserError as error:
    print(error, file=sys.stderr)
    sys.exit(2)
"""


def command(event: Event, *words: str) -> subprocess.CompletedProcess[str]:
    """A command beside the live program."""
    return subprocess.run(
        [sys.executable, "-c", RUN, *words, "--event", str(event.paths.root)],
        capture_output=True,
        text=True,
        timeout=PATIENCE_S,
        check=False,
    )


def record(event: Event, shot_id: str) -> dict[str, Any]:
    """A shot's record as it lies on disk."""
    data: dict[str, Any] = json.loads(
        (event.paths.shots / shot_id / "shot.json").read_text("utf-8")
    )
    return data
