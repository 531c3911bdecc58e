"""A kept shot is whole, comes back bit for bit, and a press that fails leaves nothing."""

from __future__ import annotations

import errno
import hashlib
import json
import os
import resource
import subprocess
import unicodedata
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import av
import cv2
import numpy as np
import pytest
import torch
from hypothesis import given
from hypothesis import strategies as st

from models.color import Encoding, Matrix, Range, Siting
from models.transfer import Transfer
from stream.durable import PARTIAL, STALE_S, StorageError, storage_sentence
from stream.errors import UserError
from stream.event import Event
from stream.shot import (
    STILL_MISSED,
    Shot,
    ShotError,
    add_still,
    attach_original,
    find_shot,
    load_frame,
    load_plate,
    load_shot,
    render_again,
    save_plate,
    save_shot,
    settle,
    shot_ids,
    sweep_leftovers,
)
from stream.shot.frames import FrameFileError, decode_frame, encode_frame
from stream.shot.naming import picture_name, safe_name
from tests.stream.batch import roles
from tests.stream.batch.scenario import (
    SETTINGS,
    make_event,
    make_frame,
    make_still,
    noise,
    same_planes,
)


@pytest.fixture
def event(tmp_path: Path) -> Event:
    return make_event(tmp_path)


def tags(depth: int, matrix: Matrix = Matrix.BT709) -> Encoding:
    return Encoding(matrix, Range.NARROW, Transfer.BT709, Siting.TOP_LEFT, depth)


# --- frames ---------------------------------------------------------------------------------


@pytest.mark.parametrize("depth", [8, 10, 12, 16])
@pytest.mark.parametrize("chroma", [(1, 1), (1, 2), (2, 2)])
@pytest.mark.parametrize("size", [(48, 64), (33, 51), (270, 482)])
def test_ycbcr_planes_come_back_bit_for_bit(
    tmp_path: Path, depth: int, chroma: tuple[int, int], size: tuple[int, int]
) -> None:
    planes = noise(size, depth, chroma, seed=depth)
    before = [p.clone() for p in planes]
    name, data = encode_frame(planes, tags(depth))
    (tmp_path / name).write_bytes(data)
    assert same_planes(decode_frame(tmp_path / name, tags(depth)), planes)
    assert all(torch.equal(a, b) for a, b in zip(planes, before, strict=True))


@pytest.mark.parametrize("depth", [8, 10, 12, 16])
def test_rgb_planes_come_back_bit_for_bit(tmp_path: Path, depth: int) -> None:
    encoding = Encoding(Matrix.RGB, Range.FULL, Transfer.SRGB, Siting.CENTER, depth)
    planes = noise((33, 50), depth, (1, 1), seed=3)
    name, data = encode_frame(planes, encoding)
    (tmp_path / name).write_bytes(data)
    assert same_planes(decode_frame(tmp_path / name, encoding), planes)
    # ISO/IEC 15948, sample depth scaling: full scale stays full scale.
    top = torch.full((2, 2), (1 << depth) - 1, dtype=planes[0].dtype)
    _, white = encode_frame((top, top, top), encoding)
    image: Any = cv2.imdecode(np.frombuffer(white, np.uint8), cv2.IMREAD_UNCHANGED)
    assert image.min() == (255 if depth == 8 else 65535)


def test_another_program_can_read_the_frame(tmp_path: Path) -> None:
    # RFC 9043: FFV1 version 3 with a CRC for each slice; ITU-T H.273 code points in the container.
    planes = noise((64, 64), 10, (1, 2), seed=1)
    name, data = encode_frame(planes, tags(10, Matrix.BT2020))
    (tmp_path / name).write_bytes(data)
    with av.open(str(tmp_path / name)) as container:
        stream = container.streams.video[0]
        assert (stream.codec_context.name, stream.codec_context.pix_fmt) == ("ffv1", "yuv422p10le")
        frame = next(container.decode(video=0))
    assert (frame.colorspace, frame.color_range) == (9, 1)
    assert np.array_equal(frame.to_ndarray()[0], planes[0].numpy())


def test_a_damaged_frame_is_an_error_and_no_picture(event: Event) -> None:
    shot = save_shot(event, make_frame(1), settings=SETTINGS)
    plate = save_plate(event, make_frame(2))
    for path in (
        event.paths.shots / shot.id / shot.frame,
        event.paths.plates / plate / "frame.mkv",
    ):
        data = path.read_bytes()
        broken = bytearray(data)
        broken[len(data) // 2] ^= 1
        for wrong in (bytes(broken), data[: len(data) // 2], b"", b"no frame at all"):
            path.write_bytes(wrong)
            with pytest.raises(UserError, match="damaged"):
                load_frame(event, shot) if "shots" in path.parts else load_plate(event, plate)
        path.unlink()
        with pytest.raises(UserError, match="cannot be read"):
            load_frame(event, shot) if "shots" in path.parts else load_plate(event, plate)


@pytest.mark.parametrize("data", [b"", b"no frame at all", b"\x1a\x45\xdf\xa3"])
def test_what_is_no_frame_file(tmp_path: Path, data: bytes) -> None:
    for name, matrix in (("frame.mkv", Matrix.BT709), ("frame.png", Matrix.RGB)):
        (tmp_path / name).write_bytes(data)
        with pytest.raises(FrameFileError):
            decode_frame(tmp_path / name, tags(8, matrix))


def test_planes_that_no_file_holds(tmp_path: Path) -> None:
    one, third = torch.zeros(9, 9, dtype=torch.uint8), torch.zeros(9, 3, dtype=torch.uint8)
    with pytest.raises(FrameFileError, match="half"):
        encode_frame((one, third, third), tags(8))
    deep = noise((8, 8), 11, (1, 1), seed=0)
    with pytest.raises(FrameFileError, match="11 bit"):
        encode_frame(deep, tags(11))


# --- names ----------------------------------------------------------------------------------

# Windows' rules for naming files: these characters, these device names, no dot or space at the end.
FORBIDDEN = set('<>:"/\\|?*') | {chr(c) for c in range(32)}
DEVICES = {"CON", "PRN", "AUX", "NUL"} | {f"{p}{n}" for p in ("COM", "LPT") for n in range(1, 10)}


@given(st.text(max_size=400))
def test_any_text_makes_a_safe_name(text: str) -> None:
    for name in (safe_name(text), picture_name(7, text)):
        assert not FORBIDDEN & set(name)
        assert name.split(".")[0].upper() not in DEVICES
        assert name == name.strip(" .") or name == ""
        assert len(name.encode()) < 150
        assert unicodedata.is_normalized("NFC", name)
        assert name not in (".", "..")
    assert Path("pictures", picture_name(7, text)).parent == Path("pictures")


@pytest.mark.parametrize(
    ("text", "name"),
    [
        ("Mira Tallow", "Mira-Tallow"),
        ("../../etc/passwd", "etc-passwd"),
        ("A\u030asa \u202eevil", "Åsa-evil"),
        ("con", "_con"),
        ("LPT1.jpg", "_LPT1.jpg"),
        ("李小龍", "李小龍"),
        ("\x00\n/\\", ""),
        ("name. . .", "name"),
        ("\ud800x", "x"),
    ],
)
def test_names_of_people_as_file_names(text: str, name: str) -> None:
    assert safe_name(text) == name


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
        {"picture": "a/b.jpg"},
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


# --- tethered stills ------------------------------------------------------------------------

SOON = datetime.now(UTC) + timedelta(hours=1)


def test_a_tethered_still_becomes_the_shot_and_the_video_frame_its_proxy(
    event: Event, tmp_path: Path
) -> None:
    shot = save_shot(event, make_frame(1), people=["1"], settings=SETTINGS, still_until=SOON)
    assert load_frame(event, shot).source == "pier camera"
    still = make_still(tmp_path / "IMG 0001.JPG")
    done = attach_original(event, shot.id, still)
    assert done == load_shot(event, shot.id)
    folder = event.paths.shots / shot.id
    assert done.original == done.frame
    assert (folder / done.frame).read_bytes() == still.read_bytes()
    assert done.sha256 == hashlib.sha256(still.read_bytes()).hexdigest()
    assert (done.proxy, done.still_until, done.job) == (shot.frame, None, shot.job)
    frame = load_frame(event, done)
    assert frame.upright_size == (160, 200)
    assert frame.taken.isoformat() == "2026-05-31T18:04:07+02:00"
    # The same still once more changes nothing; another one is refused.
    assert attach_original(event, shot.id, still) == done
    with pytest.raises(ShotError, match="already"):
        attach_original(event, shot.id, make_still(tmp_path / "b.jpg", seed=2))


def test_a_damaged_still_never_takes_the_frames_place(event: Event, tmp_path: Path) -> None:
    shot = save_shot(event, make_frame(1), settings=SETTINGS, still_until=SOON)
    still = make_still(tmp_path / "a.jpg")
    still.write_bytes(still.read_bytes()[:300])
    before = everything(event.paths.shots)
    with pytest.raises(UserError):
        attach_original(event, shot.id, still)
    assert everything(event.paths.shots) == before
    assert load_shot(event, shot.id) == shot


def test_a_still_that_does_not_come_and_one_that_comes_late(event: Event, tmp_path: Path) -> None:
    shot = save_shot(event, make_frame(1), settings=SETTINGS, still_until=SOON)
    settled = settle(event, shot.id)
    assert (settled.still_until, settled.frame, settled.notes) == (
        None,
        shot.frame,
        (STILL_MISSED,),
    )
    assert settle(event, shot.id) == settled
    late = attach_original(event, shot.id, make_still(tmp_path / "a.jpg"))
    # A new job under the same picture name: the print is made once more, not twice.
    assert late.job != settled.job
    assert (late.picture, late.notes) == (settled.picture, ())


def test_a_still_added_twice_is_one_shot(event: Event, tmp_path: Path) -> None:
    still = make_still(tmp_path / "a.jpg")
    first, new = add_still(event, still, people=["2"], settings=SETTINGS)
    same, again = add_still(event, still, people=["2"], settings=SETTINGS)
    other, third = add_still(event, still, people=["1"], settings=SETTINGS)
    assert (new, again, third) == (True, False, True)
    assert same == first
    assert other.id != first.id
    with pytest.raises(UserError):
        add_still(event, tmp_path / "nowhere.jpg", settings=SETTINGS)


def test_a_corrected_name_changes_the_picture_name_and_remembers_the_old(event: Event) -> None:
    shot = save_shot(event, make_frame(), people=["1"], settings=SETTINGS)
    assert shot.picture == "0001-Mira-Tallow.jpg"
    text = event.paths.roster.read_text("utf-8").replace("Tallow", "Tallowe")
    event.paths.roster.write_text(text, "utf-8")
    again = render_again(event, shot.id)
    assert again.picture == "0001-Mira-Tallowe.jpg"
    assert again.former_pictures == (shot.picture,)
    assert again.render == shot.render + 1


# --- plates and leftovers -------------------------------------------------------------------


def test_a_plate_belongs_to_one_kind_of_source_and_size(event: Event, tmp_path: Path) -> None:
    frame = make_frame(9)
    plate = load_plate(event, save_plate(event, frame))
    assert same_planes(plate.frame.planes, frame.planes)
    assert plate.frame.encoding == frame.encoding
    assert plate.fits(make_frame(1), still=False)
    assert not plate.fits(make_frame(1), still=True)
    assert not plate.fits(make_frame(1, quarter_turns=1), still=False)
    assert not plate.fits(make_frame(1, size=(48, 64)), still=False)
    path = make_still(tmp_path / "empty.jpg")
    add, _ = add_still(event, path, settings=SETTINGS)
    still = load_frame(event, add)
    first = save_plate(event, still, still=path)
    assert save_plate(event, still, still=path) == first
    assert load_plate(event, first).fits(still, still=True)
    for wrong in ("../shots", "20260101-000000-abc"):
        with pytest.raises(ShotError):
            load_plate(event, wrong)


def test_leftovers_are_swept_and_work_in_progress_is_not(event: Event) -> None:
    shot = save_shot(event, make_frame(), settings=SETTINGS)
    old, young = event.paths.shots / f"{PARTIAL}old", event.paths.shots / f"{PARTIAL}young"
    for folder in (old, young):
        folder.mkdir()
        (folder / "frame.mkv").write_bytes(b"half")
    stale = event.paths.pictures / f"{PARTIAL}old"
    stale.write_bytes(b"half")
    past = datetime.now(UTC).timestamp() - STALE_S - 10
    for path in (old, stale):
        os.utime(path, (past, past))
    assert sweep_leftovers(event) == 2
    assert young.is_dir()
    assert load_shot(event, shot.id) == shot
