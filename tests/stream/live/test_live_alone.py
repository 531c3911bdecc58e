"""Live programs of their own: an ending, kills, a full disk, stills, a dying camera, mistakes."""

from __future__ import annotations

import os
import shutil
import socket
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
import torch

from stream.errors import UserError
from stream.event import Event
from stream.live.link import Link, LinkError, ask, read_link
from stream.live.session import Session
from stream.live.wishes import Wishes
from stream.shot import load_frame, load_shot, shot_ids
from tests.stream.live.evening import LiveProcess, command, make_clip, make_event, record


@pytest.fixture(scope="module")
def clip(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make_clip(tmp_path_factory.mktemp("clip") / "walk.mp4")


def assert_complete(event: Event, shot_id: str) -> None:
    """Everything of a shot is there and can be read."""
    shot = load_shot(event, shot_id)
    frame = load_frame(event, shot)
    assert tuple(frame.planes[0].shape) == (180, 320)
    assert event.template_version(shot.template, shot.template_version).name == "dusk"


def start(event: Event, wishes: Wishes) -> None:
    """Start in this process, and end at once."""
    threads = torch.get_num_threads()
    session = Session(event, wishes)
    try:
        session.start()
    finally:
        session.stop()
        torch.set_num_threads(threads)


def test_a_file_played_once_ends_with_its_shots(tmp_path: Path, clip: Path) -> None:
    event = make_event(tmp_path)
    with LiveProcess(event, clip, "--once", "--no-batch") as live:
        live.until_live()
        live.command("next", "12")
        grabbed = live.command("grab")
        assert grabbed.returncode == 0, grabbed.stderr
        shot_id = grabbed.stdout.strip()
        assert_complete(event, shot_id)
        assert live.process.wait(60) == 0, live.said
    assert "Stage: http://127.0.0.1:" in live.said
    assert "Traceback" not in live.said
    assert read_link(event.paths.root) is None
    assert "No live program runs" in command(event, "grab").stderr


def test_a_full_disk_is_one_sentence_and_the_picture_goes_on(tmp_path: Path, clip: Path) -> None:
    event = make_event(tmp_path)
    # setrlimit(2), RLIMIT_FSIZE: writes beyond it fail with EFBIG, a disk that takes no more
    with LiveProcess(event, clip, "--no-batch") as live:
        live.until_live()
        limit = 600
        resource_limit(live.process.pid, limit)
        with pytest.raises(LinkError) as failed:
            ask(live.link, "/grab", {})
        assert str(failed.value).count(". ") <= 1
        assert "not kept" in str(failed.value)
        shown = live.state()["pictures"]
        live.until(lambda: live.state()["pictures"] > shown + 5)
        assert any("not kept" in t for t in live.state()["troubles"])
        assert shot_ids(event) == []
        assert not list(event.paths.shots.iterdir())
        resource_limit(live.process.pid, -1)
        assert_complete(event, ask(live.link, "/grab", {})["shot"])


def resource_limit(pid: int, size: int) -> None:
    """Bound the size of files that another process may write; -1 for no bound."""
    import resource

    if not hasattr(resource, "prlimit"):
        pytest.skip("no prlimit on this system")
    bound = resource.RLIM_INFINITY if size < 0 else size
    resource.prlimit(pid, resource.RLIMIT_FSIZE, (bound, resource.RLIM_INFINITY))


def test_each_press_gets_the_next_still_and_no_best_frame(tmp_path: Path, clip: Path) -> None:
    event = make_event(tmp_path)
    stills = tmp_path / "camera"
    stills.mkdir()
    deliver(stills / "old.jpg", 10)  # there before: never taken
    with LiveProcess(event, clip, "--no-batch", "--stills", str(stills)) as live:
        live.until_live()
        with pytest.raises(LinkError, match="batch add --best"):
            ask(live.link, "/grab", {"best_s": 0})
        assert shot_ids(event) == []
        deliver(stills / "a-001.jpg", 60)  # nobody pressed
        live.until(lambda: live.state()["stills"]["unpressed"] == 1)
        first = ask(live.link, "/grab", {})["shot"]
        second = ask(live.link, "/grab", {})["shot"]
        assert live.state()["stills"]["waiting"] == 2
        for name, shade in (("a-002.jpg", 110), ("a-003.jpg", 160)):
            deliver(stills / name, shade)
        live.until(lambda: len(stills_of(event, first, second)) == 2)
        assert stills_of(event, first, second) == ["a-002.jpg", "a-003.jpg"]
        for shot_id, shade in ((first, 110), (second, 160)):
            shot = load_shot(event, shot_id)
            assert shot.proxy is not None
            frame = load_frame(event, shot)
            assert float(frame.planes[0].float().mean()) == pytest.approx(shade, abs=3)
        state = live.state()
        assert state["stills"] == {"waiting": 0, "unpressed": 1}
        assert any("posewall batch add" in t for t in state["troubles"])
    assert (stills / "a-001.jpg").is_file()
    assert len(shot_ids(event)) == 2


def test_a_print_that_enlarges_is_told_at_the_grab(tmp_path: Path) -> None:
    event = make_event(tmp_path)
    small = make_clip(tmp_path / "small.mp4", size=(90, 160))
    with LiveProcess(event, small, "--no-batch") as live:
        live.until_live()
        grabbed = live.command("grab")
        assert grabbed.stdout.strip() in shot_ids(event)  # the id alone, for scripts
        # 320 pixels of print from 160 of the frame, at 100 an inch
        assert "enlarges this frame 2.0 times to 50 real pixels an inch" in grabbed.stderr
        assert any("enlarges this frame" in t for t in live.state()["troubles"])


def deliver(path: Path, shade: int) -> None:
    """A still as a camera's program would put it there: in one go."""
    picture = np.full((240, 360, 3), shade, np.uint8)
    cv2.imwrite(str(path.with_suffix(".part.jpg")), picture)
    path.with_suffix(".part.jpg").rename(path)


def stills_of(event: Event, *shots: str) -> list[str]:
    names = [record(event, s)["original"] for s in shots]
    return [n.removeprefix("still-") for n in names if n]


def test_the_program_outlives_its_camera(tmp_path: Path, clip: Path) -> None:
    event = make_event(tmp_path)
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    address = f"udp://127.0.0.1:{port}"
    with LiveProcess(event, address, "--no-batch") as live:
        sender = send(clip, address)
        try:
            live.until(lambda: live.state()["source"]["state"] == "live")
            live.until_live()
            sender.kill()
            live.until(lambda: live.state()["source"]["state"] in ("silent", "lost"))
            time.sleep(1.2)
            with pytest.raises(LinkError, match="nothing was kept"):
                ask(live.link, "/grab", {})
            sender.wait(10)
            sender = send(clip, address)
            live.until(lambda: live.state()["source"]["state"] == "live")
            assert_complete(event, ask(live.link, "/grab", {})["shot"])
        finally:
            sender.kill()
            sender.wait(10)


SEND = """
import fractions, sys, time, av
with av.open(sys.argv[1]) as source, av.open(sys.argv[2], "w", format="mpegts") as out:
    stream = out.add_stream("mpeg2video", rate=30)
    stream.width, stream.height, stream.pix_fmt = 320, 180, "yuv420p"
    stream.bit_rate, stream.gop_size = 2_000_000, 5
    frames = [f.reformat(format="yuv420p") for f in source.decode(video=0)]
    start = time.monotonic()
    n = 0
    while True:
        for frame in frames:
            frame.pts, frame.time_base = n, fractions.Fraction(1, 30)
            out.mux(stream.encode(frame))
            n += 1
            time.sleep(max(0, start + n / 30 - time.monotonic()))
"""


def send(clip: Path, address: str) -> subprocess.Popen[bytes]:
    """A camera on the network, as another process."""
    return subprocess.Popen(
        [sys.executable, "-c", SEND, str(clip), f"{address}?pkt_size=1316"],
        stderr=subprocess.DEVNULL,
    )


@pytest.mark.parametrize(
    ("changes", "sentence"),
    [
        ({"source": "nothing-here.mp4"}, "no such file"),
        ({"template": "none"}, "no template 'none'"),
        ({"stills": Path("no-folder")}, "no such folder"),
        ({"plate": Path("no-plate.jpg")}, "no-plate.jpg"),
    ],
)
def test_mistakes_get_one_sentence(
    tmp_path: Path, clip: Path, changes: dict[str, Any], sentence: str
) -> None:
    event = make_event(tmp_path)
    with pytest.raises(UserError, match=sentence):
        start(event, replace(Wishes(source=str(clip), port=0, batch=False), **changes))
    assert read_link(event.paths.root) is None
    assert shot_ids(event) == []


def test_a_broken_clip_is_one_sentence(tmp_path: Path) -> None:
    event = make_event(tmp_path)
    broken = tmp_path / "broken.mp4"
    broken.write_bytes(b"no video at all" * 100)
    done = command(event, "live", "--source", str(broken), "--port", "0", "--no-batch")
    assert done.returncode == 2, done.stderr
    assert "broken.mp4" in done.stderr
    assert "Traceback" not in done.stderr
    assert read_link(event.paths.root) is None


def test_commands_without_a_program(tmp_path: Path) -> None:
    event = make_event(tmp_path)
    for words in (("grab",), ("plate",), ("next", "7")):
        done = command(event, *words)
        assert done.returncode == 2
        assert done.stderr.startswith("No live program runs for")
    Link(os.getpid(), 1, "x").write(event.paths.root)
    assert "Nothing answers at port 1" in command(event, "grab").stderr
    shutil.rmtree(event.paths.root)
    assert "no such folder" in command(event, "grab").stderr
