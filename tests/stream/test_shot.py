"""Shots: kept whole, or one sentence and nothing."""

from __future__ import annotations

import errno
import json
import os
import resource
import subprocess
from dataclasses import replace
from pathlib import Path
from typing import Any

import cv2
import pytest

from stream.durable import PARTIAL, StorageError, storage_sentence
from stream.errors import UserError
from stream.event import Event
from stream.shot import (
    Shot,
    ShotError,
    find_shot,
    load_frame,
    load_shot,
    save_plate,
    save_shot,
    shot_ids,
)
from tests.stream.batch import roles
from tests.stream.batch.scenario import (
    SETTINGS,
    make_event,
    make_frame,
    same_planes,
)

# --- shots ----------------------------------------------------------------------------------


@pytest.mark.parametrize("people", [(), ("1",), ("2", "03", "2")])
def test_a_shot_comes_back_as_it_was_kept(event: Event, people: tuple[str, ...]) -> None:
    frame = make_frame(5, quarter_turns=1)
    shot = save_shot(event, frame, people=people, settings=SETTINGS, mirror=True)
    fresh = Event.open(event.paths.root)
    loaded = load_shot(fresh, shot.id)
    assert loaded == shot
    assert loaded.people == tuple(dict.fromkeys(people))
    assert (loaded.template, loaded.template_version) == ("pier", event.template().version)
    back = load_frame(fresh, loaded)
    assert same_planes(back.planes, frame.planes)
    assert replace(back, planes=frame.planes, arrived_s=frame.arrived_s) == frame
    view: Any = cv2.imread(str(event.paths.shots / shot.id / "view.jpg"))
    assert view.shape[:2] == frame.upright_size


def test_numbers_run_on_and_pictures_of_deleted_shots_keep_theirs(event: Event) -> None:
    ids = [save_shot(event, make_frame(i), settings=SETTINGS).id for i in range(3)]
    assert [i.split("-")[0] for i in ids] == ["0001", "0002", "0003"]
    assert shot_ids(event) == ids
    (event.paths.pictures / "0007-Jon-Fenwick.jpg").write_bytes(b"")
    assert save_shot(event, make_frame(), settings=SETTINGS).number == 8
    assert find_shot(event, "2").id == find_shot(event, ids[1]).id == ids[1]
    with pytest.raises(ShotError, match="no shot '5'"):
        find_shot(event, "5")


def test_two_processes_never_share_a_number(event: Event) -> None:
    both = [roles.process(roles.keep_some, str(event.paths.root), 6) for _ in range(2)]
    for process in both:
        process.join()
    assert [p.exitcode for p in both] == [0, 0]
    assert [load_shot(event, i).number for i in shot_ids(event)] == list(range(1, 13))


def test_a_template_that_is_not_there_is_refused_before_anything_is_written(event: Event) -> None:
    with pytest.raises(UserError):
        save_shot(event, make_frame(), settings=SETTINGS, template="dune")
    assert list(event.paths.shots.iterdir()) == []


def test_no_press_is_lost_over_a_person_a_plate_or_a_broken_roster(event: Event) -> None:
    plate = "20260101-000000-abcdef"
    shot = save_shot(event, make_frame(1), people=["99"], plate=plate, settings=SETTINGS)
    assert shot.plate is None
    assert any("99" in n for n in shot.notes)
    assert any(plate in n for n in shot.notes)
    event.paths.roster.write_text("half a line")
    again = save_shot(event, make_frame(2), people=["1"], settings=SETTINGS)
    assert again.picture == "0002-Mira-Tallow.jpg"
    assert shot_ids(event) == [shot.id, again.id]


@pytest.mark.parametrize(
    "change",
    [
        {"frame": "../../secret.mkv"},
        {"picture": "../b.jpg"},
        {"id": "0001"},
        {"taken": "2026-05-31T18:00:00"},
        {"encoding": {"matrix": "none"}},
        {"settings": None},
    ],
)
def test_a_record_that_was_damaged_is_refused(event: Event, change: dict[str, object]) -> None:
    shot = save_shot(event, make_frame(), settings=SETTINGS)
    path = event.paths.shots / shot.id / "shot.json"
    path.write_text(json.dumps({**json.loads(path.read_text("utf-8")), **change}), "utf-8")
    with pytest.raises(ShotError):
        load_shot(event, shot.id)


@pytest.mark.parametrize("text", ["", "[]", "{", "\x00"])
def test_a_record_that_is_none(event: Event, text: str) -> None:
    shot = save_shot(event, make_frame(), settings=SETTINGS)
    (event.paths.shots / shot.id / "shot.json").write_text(text)
    with pytest.raises(ShotError):
        load_shot(event, shot.id)
    with pytest.raises(ShotError):
        load_shot(event, "../" + shot.id)


# --- a disk that does not take it -----------------------------------------------------------


def everything(root: Path) -> dict[str, int]:
    return {str(p.relative_to(root)): p.stat().st_size for p in root.rglob("*") if p.is_file()}


def test_a_refused_write_leaves_nothing_and_the_next_press_works(event: Event) -> None:
    save_shot(event, make_frame(0), settings=SETTINGS)
    before = everything(event.paths.root)
    # setrlimit(2): beyond RLIMIT_FSIZE a write fails with EFBIG.
    limit = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (4096, limit[1]))
    try:
        with pytest.raises(StorageError) as caught:
            save_shot(event, make_frame(1), settings=SETTINGS)
        with pytest.raises(StorageError):
            save_plate(event, make_frame(2))
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, limit)
    assert "this shot was not kept" in str(caught.value)
    assert everything(event.paths.root) == before
    assert not list(event.paths.root.rglob(f"{PARTIAL}*"))
    assert save_shot(event, make_frame(1), settings=SETTINGS).number == 2


def mounted(folder: Path, size: str) -> bool:
    """A file system of ``size`` in memory at ``folder``; only root can, where it may at all."""
    command = ["mount", "-t", "tmpfs", "-o", f"size={size}", "posewall-test", str(folder)]
    try:
        return subprocess.run(command, capture_output=True, check=False).returncode == 0
    except FileNotFoundError:
        return False


def test_a_full_disk_is_one_sentence_and_nothing_half_written(tmp_path: Path) -> None:
    disk = tmp_path / "disk"
    disk.mkdir()
    if not mounted(disk, "1200k"):
        pytest.skip("needs the right to mount a small file system")
    try:
        event = make_event(disk)
        kept: list[Shot] = []

        def fill() -> None:
            for index in range(1000):
                kept.append(save_shot(event, make_frame(index), settings=SETTINGS))

        with pytest.raises(StorageError, match="full") as caught:
            fill()
        assert "\n" not in str(caught.value)
        assert kept
        assert not list(disk.rglob(f"{PARTIAL}*"))
        assert shot_ids(event) == [s.id for s in kept]
        for index, shot in enumerate(kept):
            assert same_planes(load_frame(event, shot).planes, make_frame(index).planes)
        # Room is made: the next press is kept.
        for path in (event.paths.shots / kept.pop(0).id).iterdir():
            path.unlink()
        assert save_shot(event, make_frame(7), settings=SETTINGS).id in shot_ids(event)
    finally:
        subprocess.run(["umount", "-l", str(disk)], check=True)


@pytest.mark.parametrize(
    ("code", "word"),
    [(errno.ENOSPC, "full"), (errno.EROFS, "not allowed"), (errno.EIO, "healthy")],
)
def test_the_disks_errors_as_sentences(tmp_path: Path, code: int, word: str) -> None:
    sentence = storage_sentence(OSError(code, os.strerror(code)), "this shot", tmp_path)
    assert word in sentence
    assert "this shot was not kept" in sentence
