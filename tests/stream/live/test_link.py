"""The file by which commands find the program."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from stream.layout import EventPaths
from stream.live.link import Link, LinkError, find_link, read_link, started_ago_s


def test_there_and_back_for_the_owner_only(tmp_path: Path) -> None:
    link = Link(os.getpid(), 7310, "secret")
    old = os.umask(0)  # the mode must not depend on it
    try:
        link.write(tmp_path)
    finally:
        os.umask(old)
    assert EventPaths(tmp_path).live.stat().st_mode & 0o777 == 0o600
    assert find_link(tmp_path) == link
    assert [p.name for p in tmp_path.iterdir()] == [EventPaths(tmp_path).live.name]
    link.remove(tmp_path)
    assert read_link(tmp_path) is None


def test_another_programs_file_is_left(tmp_path: Path) -> None:
    Link(os.getpid(), 1, "a").write(tmp_path)
    Link(os.getpid(), 2, "b").remove(tmp_path)
    assert read_link(tmp_path) is not None


@pytest.mark.parametrize(
    "text", ["", "{", "[]", '{"pid": 1}', '{"pid": "x", "port": 1, "token": 1}']
)
def test_a_damaged_file_is_no_program(tmp_path: Path, text: str) -> None:
    EventPaths(tmp_path).live.write_text(text, "utf-8")
    with pytest.raises(LinkError, match="No live program runs"):
        find_link(tmp_path)


def test_a_dead_process_is_told(tmp_path: Path) -> None:
    ended = subprocess.Popen([sys.executable, "-c", ""])
    ended.wait(30)
    Link(ended.pid, 7310, "x").write(tmp_path)
    with pytest.raises(LinkError, match="has died"):
        find_link(tmp_path)


def test_the_age_of_this_process_agrees_with_the_system() -> None:
    psutil = pytest.importorskip("psutil")
    import time

    age = started_ago_s()
    if age == 0.0:
        pytest.skip("this system does not tell")
    # psutil is the reference; it rounds the boot time to whole seconds
    assert age == pytest.approx(time.time() - psutil.Process().create_time(), abs=1.5)
