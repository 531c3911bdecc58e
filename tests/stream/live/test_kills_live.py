"""The real commands are killed at random moments, over and over; nothing kept is lost.

POSIX.1-2017 SIGKILL cannot be caught: whatever survives, survives by the order of the writes.
In turn die a `posewall grab`, the process that makes pictures beside `posewall live`,
`posewall batch run`, and `posewall live` itself. POSEWALL_KILLS sets how many kills; usually each
of these dies in each way once.
"""

from __future__ import annotations

import contextlib
import itertools
import os
import random
import signal
import sqlite3
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from pathlib import Path
from typing import Any

import av
import pytest
from PIL import Image

from stream.batch.jobs import JobQueue
from stream.batch.state import State
from stream.durable import PARTIAL, STALE_S
from stream.errors import UserError
from stream.event import Event
from stream.live.link import ask
from stream.prints.picture import picture_owner
from stream.shot import load_frame, load_shot, shot_ids, sweep_leftovers
from tests.stream.live.evening import PATIENCE_S, LiveProcess, make_clip, make_event

POSEWALL = [sys.executable, "-m", "stream.cli"]
BURST = 5
# Live dies once with a batch run standing by, once with none, so that either takes over from it.
TURNS = ("grab", "worker", "batch", "live", "grab", "worker", "live", "batch")
KILLS = int(os.environ.get("POSEWALL_KILLS", len(TURNS)))


class Live(LiveProcess):
    """`posewall live` by the program's whole command line, as it is installed."""

    def __init__(self, event: Event, clip: Path) -> None:
        super().__init__(event, clip, "--preview-height", "180")
        self._command[: self._command.index("live")] = POSEWALL

    def worker(self) -> Any:
        """The process that makes pictures beside it; None while there is none."""
        psutil = pytest.importorskip("psutil")
        for child in psutil.Process(self.process.pid).children():
            with contextlib.suppress(psutil.Error):
                if "stream.batch.worker" in child.cmdline():
                    return child
        return None


def pictures(event: Event) -> list[Path]:
    """All that bears a final name."""
    return [p for p in event.paths.pictures.iterdir() if not p.name.startswith(PARTIAL)]


class Evening:
    """The programs of one event, and every shot that was reported as kept."""

    def __init__(self, event: Event, clip: Path, chance: random.Random) -> None:
        self.event = event
        self.kept: list[str] = []
        self._clip = clip
        self._chance = chance
        self._live: Live | None = None
        self._grab_s = 0.0
        self._started = contextlib.ExitStack()
        self._pool = self._started.enter_context(ThreadPoolExecutor(BURST))

    def __enter__(self) -> Evening:
        return self

    def __exit__(self, *_: object) -> None:
        self._started.close()

    def live(self) -> Live:
        """The live program, started anew when it was killed."""
        if self._live is None:
            live = Live(self.event, self._clip)
            self._started.enter_context(live)
            live.until_live()
            self._live = live
        return self._live

    def presses(self) -> list[Future[None]]:
        """Several presses at once, each on a connection of its own, as the pages press."""
        link = self.live().link

        def press() -> None:
            # One that is not reported as kept was promised nothing.
            with contextlib.suppress(UserError):
                self.kept.append(ask(link, "/grab", {}, timeout_s=30)["shot"])

        return [self._pool.submit(press) for _ in range(BURST)]

    def command(self, *words: str) -> subprocess.Popen[str]:
        """A command in a process of its own."""
        process = subprocess.Popen(
            [*POSEWALL, *words, "--event", str(self.event.paths.root)],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        self._started.enter_context(process)
        self._started.callback(process.kill)
        return process

    def grab(self, dies_after_s: float | None = None) -> int:
        """`posewall grab`; what it printed counts, however it ended. Its exit status."""
        process = self.command("grab")
        if dies_after_s is not None:
            time.sleep(dies_after_s)
            process.kill()
        out, _ = process.communicate(timeout=PATIENCE_S)
        if out.endswith("\n"):
            self.kept.append(out.strip())
        return process.returncode

    def kill_grab(self) -> None:
        """Kill a `posewall grab`, somewhere between its loading and its answer."""
        self.live()
        for _ in range(30):
            begun = time.monotonic()
            after = self._chance.uniform(0.4, 1.0) * self._grab_s if self._grab_s else None
            code = self.grab(after)
            if code == -signal.SIGKILL:
                return
            # Faster than the kill and so kept, or refused with a sentence: 2.
            assert code in (0, 2)
            if code == 0 and not self._grab_s:
                self._grab_s = time.monotonic() - begun
            elif code == 0:  # the first one also waited for the store, and took longer
                self._grab_s *= 0.8
        raise AssertionError("no kill ever hit a grab")

    def kill_worker(self) -> None:
        """Kill the process beside the live program while it makes pictures."""
        live, before = self.live(), len(pictures(self.event))
        presses = self.presses()
        worker = live.until(live.worker)
        live.until(lambda: len(pictures(self.event)) > before)
        time.sleep(self._chance.uniform(0.0, 0.4))
        worker.kill()
        for press in presses:
            press.result()
        shown = live.state()["pictures"]
        live.until(lambda: live.state()["pictures"] > shown)

    def kill_batch(self) -> None:
        """Kill a `posewall batch run` after it has told of a picture."""
        while True:
            process = self.command("batch", "run", "--device", "cpu")
            presses = self.presses() if self._live else []
            told = threading.Event()
            reader = threading.Thread(target=self._hear, args=(process, told), daemon=True)
            reader.start()
            assert told.wait(PATIENCE_S)
            time.sleep(self._chance.uniform(0.0, 0.4))
            process.kill()
            code = process.wait(10)
            reader.join(10)
            for press in presses:
                press.result()
            if code == -signal.SIGKILL:
                return
            assert code == 0  # nothing was left to make
            self.live()

    def _hear(self, process: subprocess.Popen[str], told: threading.Event) -> None:
        assert process.stderr is not None
        for line in process.stderr:
            if "done:" in line:
                told.set()
        told.set()

    def kill_live(self) -> None:
        """Kill the live program while presses come in by both ways."""
        live = self.live()
        by_command = self.command("grab")
        presses = self.presses()
        # Shots are kept one after the other: let none, some or most be answered first, so that
        # the kill comes close behind an answer as well as before the first.
        answered = self._chance.randrange(BURST)
        live.until(lambda: sum(p.done() for p in presses) >= answered)
        time.sleep(self._chance.uniform(0.0, 0.1))
        live.process.kill()
        live.process.wait(10)
        self._live = None
        for press in presses:
            press.result()
        out, refused = by_command.communicate(timeout=PATIENCE_S)
        if by_command.returncode == 0:
            self.kept.append(out.strip())
        else:
            assert by_command.returncode == 2
            assert refused.startswith("posewall: ")
            assert "Traceback" not in refused


def finished(event: Event, *words: str) -> subprocess.CompletedProcess[str]:
    """A command that is left to end."""
    return subprocess.run(
        [*POSEWALL, *words, "--event", str(event.paths.root)],
        capture_output=True,
        text=True,
        timeout=4 * PATIENCE_S,
        check=False,
    )


def whole_files_only(event: Event) -> None:
    """Whatever bears a final name can be used, at any moment."""
    for picture in pictures(event):
        # ITU-T T.81 B.1.1.3: the end of a JPEG image is the marker EOI, FF D9.
        assert picture.read_bytes().endswith(b"\xff\xd9"), picture.name
        with Image.open(picture) as image:
            image.load()
            assert image.size == (320, 180)
    for shot_id in shot_ids(event):
        shot = load_shot(event, shot_id)
        load_frame(event, shot)  # checks the file against its SHA-256
        assert event.template_version(shot.template, shot.template_version).name == "dusk"


def clip_frames(clip: Path) -> Iterator[bytes]:
    """Every frame as PyAV itself decodes it: Y', then Cb, then Cr."""
    with av.open(str(clip)) as container:
        for frame in container.decode(video=0):
            yield frame.to_ndarray(format="yuv420p").tobytes()


@pytest.mark.parametrize("seed", [20260531])
def test_killed_at_random_moments(tmp_path: Path, seed: int) -> None:
    event = make_event(tmp_path)
    clip = make_clip(tmp_path / "walk.mp4")
    with Evening(event, clip, random.Random(seed)) as evening:
        kill = {
            "grab": evening.kill_grab,
            "worker": evening.kill_worker,
            "batch": evening.kill_batch,
            "live": evening.kill_live,
        }
        for turn in itertools.islice(itertools.cycle(TURNS), KILLS):
            kill[turn]()
            whole_files_only(event)

    drained = finished(event, "batch", "run", "--device", "cpu")
    assert drained.returncode == 0, drained.stdout + drained.stderr
    ids = shot_ids(event)
    assert f"{len(ids)} shots; {len(ids)} done." in finished(event, "batch", "status").stdout

    # No kept shot lost, none reported to two presses, each number used once.
    kept, shots = evening.kept, [load_shot(event, i) for i in ids]
    assert len(kept) >= KILLS
    assert len(set(kept)) == len(kept)
    assert set(kept) <= set(ids)
    assert len({s.number for s in shots}) == len({s.unique for s in shots}) == len(ids)
    # What lies there is bit for bit a frame of the clip, and everything can be read.
    source = set(clip_frames(clip))
    for shot in shots:
        planes = load_frame(event, shot).planes
        assert b"".join(p.numpy().tobytes() for p in planes) in source
    whole_files_only(event)
    # One job and one picture a shot, also of those killed between commit and queue.
    with JobQueue(event) as queue:
        assert {j.state for j in queue.jobs()} == {State.DONE}
        assert queue.known() == {s.job for s in shots}
    owners = [picture_owner(p) for p in pictures(event)]
    assert sorted(map(str, owners)) == sorted(s.unique for s in shots)
    assert {p.name for p in pictures(event)} == {s.picture for s in shots}
    with contextlib.closing(sqlite3.connect(event.paths.queue)) as store:
        assert store.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    # What the dead left half-written goes once it is too old to be at work.
    left = list(event.paths.root.rglob(f"{PARTIAL}*"))
    long_ago = time.time() - STALE_S - 1
    # A folder is as old as what was written in it last.
    for path in [inner for outer in left for inner in (outer, *outer.rglob("*"))]:
        os.utime(path, (long_ago, long_ago))
    sweep_leftovers(event)
    assert not list(event.paths.root.rglob(f"{PARTIAL}*"))
