"""The command cut: its files, what it reads, what it says of what it cannot read."""

from __future__ import annotations

import os
import resource
import subprocess
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
import torch
from numpy.typing import NDArray
from PIL import Image

from models.color import SRGB_8BIT, Range, turn
from models.keyer import Cut, Grade, Keyer
from models.transfer import Transfer, encode
from stream.cli import main
from stream.cut import write_cut
from stream.durable import PARTIAL, StorageError
from tests.models.rendered import (
    GREEN,
    HEIGHT,
    SKIN,
    VIDEO_8,
    WIDTH,
    Shown,
    colour,
    person,
    rgb_planes,
    shown,
    uneven,
    video_planes,
)
from tests.stream.capture.media_files import make_clip

KINDS = ("matte", "fg", "cutout")


def scene(shift: float = 13.0) -> Shown:
    return shown(person(shift), colour(SKIN), uneven(GREEN))


def pixels(truth: Shown, turns: int = 0) -> NDArray[np.uint8]:
    planes = [turn(p, turns) for p in rgb_planes(truth.picture)]
    return torch.stack(planes, -1).numpy()


def still(path: Path, truth: Shown | None = None, turns: int = 0) -> Path:
    image = Image.fromarray(pixels(truth or scene(), turns))
    image.save(path, quality=97) if path.suffix in (".jpg", ".jpeg") else image.save(path)
    return path


def names(folder: Path) -> list[str]:
    return sorted(p.name for p in folder.iterdir())


def read(path: Path) -> NDArray[Any]:
    got = cv2.imread(str(path), cv2.IMREAD_UNCHANGED)
    assert got is not None
    return got


def cut(*words: object) -> int:
    return main(["cut", "--device", "cpu", *map(str, words)])


# --- the three files ------------------------------------------------------------------------


@pytest.mark.parametrize("suffix", [".png", ".jpg", ".JPEG", ".tif", ".tiff"])
def test_a_still_gives_three_files_beside_it(
    suffix: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / f"card{suffix}"
    Image.fromarray(pixels(scene())).save(path)
    before = path.read_bytes()
    assert cut(path) == 0
    assert names(tmp_path) == sorted([path.name] + [f"card.{k}.png" for k in KINDS])
    assert path.read_bytes() == before
    matte, fg, out = (read(tmp_path / f"card.{k}.png") for k in KINDS)
    assert (matte.dtype.name, matte.shape) == ("uint16", (HEIGHT, WIDTH))
    assert (fg.dtype.name, fg.shape) == ("uint16", (HEIGHT, WIDTH, 3))
    assert (out.dtype.name, out.shape) == ("uint8", (HEIGHT, WIDTH, 4))
    want = scene().alpha[0, 0].numpy()
    # JPEG halves chroma as video does, and adds its own rounding.
    within = 0.015 if suffix.lower().startswith(".jp") else 0.002
    assert float(np.abs(matte / 65535 - want).mean()) < within
    heard = capsys.readouterr()
    assert heard.out == f"{path.name}: 1 picture cut, in {tmp_path}\n"
    assert heard.err == ""


def test_the_files_hold_what_the_keyer_says(tmp_path: Path) -> None:
    path = still(tmp_path / "a.png")
    assert cut(path) == 0
    found = Keyer(Grade.FINAL).cut(rgb_planes(scene().picture), SRGB_8BIT)
    alpha = found.alpha[0, 0].numpy()
    colours = encode(found.fg, Transfer.SRGB)[0].permute(1, 2, 0).numpy()
    matte, fg, out = (read(tmp_path / f"a.{k}.png") for k in KINDS)
    assert np.abs(matte - alpha * 65535.0).max() < 0.51
    # OpenCV reads blue first.
    assert np.abs(fg[..., ::-1] - colours * 65535.0).max() < 0.51
    assert np.abs(out[..., [2, 1, 0]] - colours * 255.0).max() < 0.51
    assert np.abs(out[..., 3] - alpha * 255.0).max() < 0.51
    # The same by another reader, which cuts RGB to 8 bit but not the order of channels.
    with Image.open(tmp_path / "a.cutout.png") as image:
        assert image.mode == "RGBA"
        assert np.array_equal(np.asarray(image), out[..., [2, 1, 0, 3]])
    with Image.open(tmp_path / "a.fg.png") as image:
        inside = np.asarray(image)[alpha > 0.999].mean(0)
    assert inside[0] > inside[1] > inside[2]
    with Image.open(tmp_path / "a.matte.png") as image:
        assert image.mode.startswith("I")


def test_a_clip_gives_three_files_a_frame_numbered(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    planes = [p.numpy().astype(np.uint16) for p in video_planes(scene().picture)]
    clip = make_clip(
        tmp_path / "walk.mkv",
        planes,
        codec="ffv1",
        count=3,
        size=(WIDTH, HEIGHT),
        # H.273: 1 is BT.709 for primaries, curve and matrix, and narrow range.
        tags={"color_range": 1, "colorspace": 1, "color_primaries": 1, "color_trc": 1},
    )
    out = tmp_path / "new" / "folder"
    assert cut(clip, "--out", out, "--grade", "live") == 0
    assert names(out) == sorted(f"walk-{i:05d}.{k}.png" for i in range(3) for k in KINDS)
    assert names(tmp_path) == ["new", "walk.mkv"]
    assert VIDEO_8.range is Range.NARROW
    want = Keyer(Grade.LIVE).cut(video_planes(scene().picture), VIDEO_8)
    for i in range(3):
        matte = read(out / f"walk-{i:05d}.matte.png")
        assert np.abs(matte - want.alpha[0, 0].numpy() * 65535.0).max() < 0.51
    assert capsys.readouterr().out == f"walk.mkv: 3 pictures cut, in {out}\n"


def test_sixteen_bits_are_used(tmp_path: Path) -> None:
    deep = (encode(scene().picture, Transfer.SRGB)[0].permute(1, 2, 0).numpy() * 65535).round()
    cv2.imwrite(str(tmp_path / "deep.png"), deep[..., ::-1].astype(np.uint16))
    assert cut(tmp_path / "deep.png", "--out", tmp_path / "out") == 0
    fg = read(tmp_path / "out" / "deep.fg.png").astype(np.int64)
    solid = scene().alpha[0, 0].numpy() > 0.999
    inner = solid.copy()
    inner[1:] &= solid[:-1]
    inner[:60] = False
    want = deep[..., ::-1][inner]
    assert np.abs(fg[inner] - want).mean() < 3
    assert len(np.unique(fg % 257)) > 50  # not 8 bit repeated


@pytest.mark.parametrize("degrees", [0, 90, 180, 270])
def test_turn(degrees: int, tmp_path: Path) -> None:
    turns = degrees // 90
    lying = still(tmp_path / "lying.png", turns=-turns % 4)
    upright = still(tmp_path / "upright.png")
    assert cut(lying, "--turn", degrees) == 0
    assert cut(upright) == 0
    for kind in KINDS:
        got, want = (read(tmp_path / f"{n}.{kind}.png") for n in ("lying", "upright"))
        assert got.shape == want.shape
        assert np.abs(got.astype(int) - want.astype(int)).mean() < 2


def test_a_still_turned_by_its_camera_stands_upright(tmp_path: Path) -> None:
    """Exif 2.32, Orientation 6: to be turned a quarter clockwise."""
    exif = Image.Exif()
    exif[0x0112] = 6
    Image.fromarray(pixels(scene(), 3)).save(tmp_path / "p.png", exif=exif)
    assert cut(tmp_path / "p.png") == 0
    matte = read(tmp_path / "p.matte.png")
    assert matte.shape == (HEIGHT, WIDTH)
    assert float(np.abs(matte / 65535 - scene().alpha[0, 0].numpy()).mean()) < 0.005


def test_a_plate_helps(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    stripes = 1 + 0.35 * torch.sin(torch.arange(WIDTH) / 4.0).view(1, 1, 1, WIDTH)
    truth = scene().over(uneven(GREEN) * stripes)
    path = still(tmp_path / "a.png", truth)
    plate = tmp_path / "plate.png"
    planes = torch.stack(rgb_planes(truth.back), -1)
    Image.fromarray(planes.numpy()).save(plate)
    errors = []
    for words in ((), ("--plate", plate)):
        assert cut(path, *words) == 0
        matte = read(tmp_path / "a.matte.png") / 65535
        errors.append(float(np.abs(matte - truth.alpha[0, 0].numpy()).mean()))
    assert errors[1] < 0.5 * errors[0]
    assert capsys.readouterr().err == ""


# --- what it says ---------------------------------------------------------------------------


def sentences(capsys: pytest.CaptureFixture[str]) -> list[str]:
    return capsys.readouterr().err.splitlines()


def test_a_picture_is_not_its_own_plate(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = still(tmp_path / "a.png")
    assert cut(path, "--plate", tmp_path / "." / "a.png") == 2
    assert "given as picture and as plate" in sentences(capsys)[0]
    assert names(tmp_path) == ["a.png"]


def test_what_cannot_be_read_is_said_and_the_rest_is_cut(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    good, last = still(tmp_path / "good.png"), still(tmp_path / "last.jpg")
    folder = tmp_path / "folder"
    folder.mkdir()
    text = tmp_path / "text.png"
    text.write_text("not a picture")
    (tmp_path / "half.jpg").write_bytes(last.read_bytes()[:2000])
    (tmp_path / "notes.txt").write_text("neither a clip")
    (tmp_path / "empty.png").write_bytes(b"")
    bad = [tmp_path / n for n in ("missing.jpg", "text.png", "folder", "half.jpg", "notes.txt")]
    bad.append(tmp_path / "empty.png")
    out = tmp_path / "out"
    assert cut(good, *bad, last, "--out", out) == 2
    assert names(out) == sorted(f"{n}.{k}.png" for n in ("good", "last") for k in KINDS)
    said = [s for s in sentences(capsys) if s.startswith("posewall: ")]
    assert len(said) == len(bad)
    for path, sentence in zip(bad, said, strict=True):
        assert path.name in sentence
        assert "Traceback" not in sentence
        assert "; " in sentence  # what to do


def test_words_that_cannot_be_are_refused(tmp_path: Path) -> None:
    path = still(tmp_path / "a.png")
    for words in (["--turn", "45"], ["--grade", "best"], ["--screen", "red"]):
        with pytest.raises(SystemExit) as caught:
            cut(path, *words)
        assert caught.value.code == 2
    assert names(tmp_path) == ["a.png"]


def test_a_plate_that_cannot_be_used(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = still(tmp_path / "a.png")
    assert cut(path, "--plate", tmp_path / "none.png") == 2
    assert "none.png" in sentences(capsys)[0]
    Image.fromarray(pixels(scene())[:100]).save(tmp_path / "small.png")
    assert cut(path, "--plate", tmp_path / "small.png") == 2
    (sentence,) = sentences(capsys)
    assert "240x100" in sentence
    assert "240x160" in sentence
    assert names(tmp_path) == ["a.png", "small.png"]
    grey = np.full((HEIGHT, WIDTH, 3), 120, np.uint8)
    Image.fromarray(grey).save(tmp_path / "grey.png")
    assert cut(path, "--plate", tmp_path / "grey.png") == 0
    assert "the plate does not show this screen" in sentences(capsys)[0]


def test_no_screen_is_said(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    grey = np.full((HEIGHT, WIDTH, 3), 120, np.uint8)
    Image.fromarray(grey).save(tmp_path / "room.png")
    assert cut(tmp_path / "room.png") == 0
    assert "no green or blue screen is to be seen" in sentences(capsys)[0]
    assert int(read(tmp_path / "room.matte.png").min()) == 65535


def test_out_that_is_a_file(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = still(tmp_path / "a.png")
    (tmp_path / "taken").write_text("mine")
    assert cut(path, "--out", tmp_path / "taken") == 2
    (sentence,) = sentences(capsys)
    assert "taken" in sentence
    assert (tmp_path / "taken").read_text() == "mine"


def test_two_files_of_one_name_do_not_overwrite_each_other(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Two cards, both with a picture 0001: the second must not take the place of the first."""
    for card, shift in (("one", -40.0), ("two", 40.0)):
        (tmp_path / card).mkdir()
        still(tmp_path / card / "0001.png", scene(shift))
    out = tmp_path / "out"
    assert cut(tmp_path / "one" / "0001.png", tmp_path / "two" / "0001.png", "--out", out) == 2
    matte = read(out / "0001.matte.png") / 65535
    assert float(np.abs(matte - scene(-40.0).alpha[0, 0].numpy()).mean()) < 0.005
    (sentence,) = sentences(capsys)
    assert str(tmp_path / "two" / "0001.png") in sentence
    assert "--out" in sentence
    # The same file in a later call is cut again.
    assert cut(tmp_path / "two" / "0001.png", "--out", out) == 0
    matte = read(out / "0001.matte.png") / 65535
    assert float(np.abs(matte - scene(40.0).alpha[0, 0].numpy()).mean()) < 0.005


# --- a disk that does not take it -----------------------------------------------------------


def a_cut() -> Cut:
    return Keyer(Grade.LIVE).cut(rgb_planes(scene().picture), SRGB_8BIT)


def test_a_refused_write_leaves_no_half_file(tmp_path: Path) -> None:
    found = a_cut()
    write_cut(found, tmp_path, "whole")
    sizes = {p.name: p.stat().st_size for p in tmp_path.iterdir()}
    # setrlimit(2): beyond RLIMIT_FSIZE a write fails with EFBIG.
    limit = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (sizes["whole.fg.png"] - 100, limit[1]))
    try:
        with pytest.raises(StorageError, match=r"next\.fg\.png: it could not be written"):
            write_cut(found, tmp_path, "next")
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, limit)
    left = {p.name: p.stat().st_size for p in tmp_path.iterdir()}
    # The matte came before and is whole.
    assert left == {**sizes, "next.matte.png": sizes["whole.matte.png"]}


def mounted(folder: Path, size: str) -> bool:
    """A file system of ``size`` in memory at ``folder``; only root can, where it may at all."""
    command = ["mount", "-t", "tmpfs", "-o", f"size={size}", "posewall-test", str(folder)]
    try:
        return subprocess.run(command, capture_output=True, check=False).returncode == 0
    except FileNotFoundError:
        return False


def test_a_full_disk_is_one_sentence_a_file(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    disk = tmp_path / "disk"
    disk.mkdir()
    path, again = still(tmp_path / "a.png"), still(tmp_path / "b.png")
    if not mounted(disk, "16k"):
        pytest.skip("needs the right to mount a small file system")
    try:
        assert cut(path, again, "--out", disk) == 2
        said = sentences(capsys)
        assert len(said) == 2
        assert all("could not be written" in s and "free some space" in s for s in said)
        assert not list(disk.glob(f"{PARTIAL}*"))
        for left in disk.iterdir():
            assert read(left).shape[:2] == (HEIGHT, WIDTH)
    finally:
        subprocess.run(["umount", str(disk)], check=True)


def test_a_folder_that_may_not_be_written(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    if os.geteuid() == 0:
        pytest.skip("root may write anywhere")
    path = still(tmp_path / "a.png")
    out = tmp_path / "out"
    out.mkdir(mode=0o500)
    assert cut(path, "--out", out) == 2
    assert "could not be written" in sentences(capsys)[0]
    assert names(out) == []


@pytest.mark.parametrize("name", ["one.cutout.png", "ONE.MATTE.PNG"])
def test_what_cut_wrote_is_not_cut_again(
    name: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    made = tmp_path / name
    made.write_bytes(b"left alone")
    assert main(["cut", str(made)]) == 0
    assert "passed over" in capsys.readouterr().out
    assert [p.name for p in tmp_path.iterdir()] == [name]
