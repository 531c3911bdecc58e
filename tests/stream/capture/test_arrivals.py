"""New stills in a folder: complete ones only, each once, in order. The folder is a real one."""

from __future__ import annotations

import os
import threading
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from stream.capture.arrivals import is_whole
from stream.capture.errors import SourceError
from stream.capture.still_file import OWN_ENDINGS
from stream.capture.stills import Arrivals, StillsFolder


class Tether:
    """A folder under watch, a clock to turn, and what was said."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.now = 0.0
        self.said: list[str] = []
        self.arrivals = Arrivals(folder, say=self.said.append, clock=lambda: self.now)

    def after(self, seconds: float) -> list[str]:
        self.now += seconds
        return [p.name for p in self.arrivals.poll()]


def jpeg(path: Path, seed: int = 0) -> bytes:
    noise = np.random.default_rng(seed).integers(0, 256, (120, 160, 3), dtype=np.uint8)
    Image.fromarray(noise).save(path)
    return path.read_bytes()


def test_each_complete_still_comes_once_and_old_ones_never(tmp_path: Path) -> None:
    jpeg(tmp_path / "old.jpg")
    tether = Tether(tmp_path)
    assert tether.after(1) == []
    jpeg(tmp_path / "new.jpg")
    Image.new("RGB", (4, 4)).save(tmp_path / "new.png")
    Image.new("RGB", (4, 4)).save(tmp_path / "new.tif")
    assert tether.after(0.1) == []  # seen, and not settled yet
    assert sorted(tether.after(1)) == ["new.jpg", "new.png", "new.tif"]
    assert tether.after(1) == []
    assert tether.said == []


def test_a_still_that_is_being_written_waits_for_its_end(tmp_path: Path) -> None:
    data = jpeg(tmp_path / "x.jpg")
    (tmp_path / "x.jpg").unlink()
    tether = Tether(tmp_path)
    path = tmp_path / "y.jpg"
    for part in (1000, 5000, len(data) - 10):
        path.write_bytes(data[:part])
        assert tether.after(1) == []
        assert tether.after(1) == []  # unchanged for long enough, but its end is missing
    path.write_bytes(data)
    tether.after(0.1)
    assert tether.after(1) == ["y.jpg"]


def test_the_end_of_an_embedded_preview_is_not_the_end(tmp_path: Path) -> None:
    preview = jpeg(tmp_path / "p.jpg")
    data = jpeg(tmp_path / "x.jpg", 1)
    inside = b"\xff\xe1" + (len(preview[:60000]) + 2).to_bytes(2, "big") + preview[:60000]
    whole = data[:2] + inside + data[2:]
    (tmp_path / "x.jpg").write_bytes(whole)
    assert is_whole(tmp_path / "x.jpg")
    (tmp_path / "x.jpg").write_bytes(whole[: len(inside) + len(data) // 2])
    assert b"\xff\xd9" in (tmp_path / "x.jpg").read_bytes()
    assert not is_whole(tmp_path / "x.jpg")


@pytest.mark.parametrize("name", ["a.png", "a.tif"])
def test_cut_png_and_tiff_are_not_whole(tmp_path: Path, name: str) -> None:
    path = tmp_path / name
    Image.fromarray(np.zeros((50, 60, 3), np.uint8)).save(path)
    assert is_whole(path)
    path.write_bytes(path.read_bytes()[:-20])
    assert not is_whole(path)


def test_a_still_that_never_completes_is_said_once(tmp_path: Path) -> None:
    tether = Tether(tmp_path)
    data = jpeg(tmp_path / "z.jpg")
    (tmp_path / "z.jpg").write_bytes(data[:2000])
    for _ in range(30):
        assert tether.after(1) == []
    assert len(tether.said) == 1
    assert "came only in part" in tether.said[0]
    (tmp_path / "z.jpg").write_bytes(data)
    tether.after(0.1)
    assert tether.after(1) == ["z.jpg"]


def test_temporary_names_are_passed_over_until_they_are_renamed(tmp_path: Path) -> None:
    tether = Tether(tmp_path)
    for name in (".a.jpg", "~b.jpg"):
        jpeg(tmp_path / name)
    jpeg(tmp_path / "c.jpg").hex()
    (tmp_path / "c.jpg").rename(tmp_path / "c.jpg.part")
    tether.after(1)
    assert tether.after(1) == []
    (tmp_path / "c.jpg.part").rename(tmp_path / "c.jpg")
    tether.after(0.1)
    assert tether.after(1) == ["c.jpg"]


def test_what_the_program_writes_beside_a_still_is_no_still(tmp_path: Path) -> None:
    tether = Tether(tmp_path)
    jpeg(tmp_path / "a.jpg")
    assert ".frame.png" in OWN_ENDINGS  # of `batch frame`, which a test of that command holds to
    for ending in OWN_ENDINGS:
        jpeg(tmp_path / f"a{ending}")
    tether.after(0.1)
    assert tether.after(1) == ["a.jpg"]
    played = StillsFolder(tmp_path, paced=False)
    played.open()
    assert [f.source for f in iter(played.read, None)] == ["a.jpg"]


def test_order_is_the_order_of_writing(tmp_path: Path) -> None:
    tether = Tether(tmp_path)
    for at, name in enumerate(("c.jpg", "a.jpg", "b.jpg")):
        jpeg(tmp_path / name)
        os.utime(tmp_path / name, (1000 + at, 1000 + at))
    tether.after(0.1)
    assert tether.after(1) == ["c.jpg", "a.jpg", "b.jpg"]


def test_raw_files_get_one_sentence(tmp_path: Path) -> None:
    tether = Tether(tmp_path)
    for name in ("1.CR2", "2.CR2", "3.nef"):
        (tmp_path / name).write_bytes(b"raw")
    assert tether.after(1) == []
    assert tether.after(1) == []
    assert len(tether.said) == 2
    assert all("write JPEG as well" in s for s in tether.said)


def test_a_name_used_again_is_new_and_a_folder_that_comes_back_is_not(tmp_path: Path) -> None:
    folder = tmp_path / "card"
    folder.mkdir()
    tether = Tether(folder)
    jpeg(folder / "IMG_1.jpg")
    tether.after(0.1)
    assert tether.after(1) == ["IMG_1.jpg"]
    folder.rename(tmp_path / "away")
    assert tether.after(1) == []
    assert tether.after(1) == []
    (tmp_path / "away").rename(folder)
    assert tether.after(1) == tether.after(1) == []
    assert ["waiting for it" in tether.said[0], "is back" in tether.said[1]] == [True, True]
    assert len(tether.said) == 2
    (folder / "IMG_1.jpg").unlink()
    assert tether.after(1) == []
    jpeg(folder / "IMG_1.jpg", 7)
    tether.after(0.1)
    assert tether.after(1) == ["IMG_1.jpg"]


def test_a_folder_that_is_not_there_is_refused(tmp_path: Path) -> None:
    with pytest.raises(SourceError, match="there is no such folder"):
        Arrivals(tmp_path / "none")


def test_follow_gives_them_as_they_come(tmp_path: Path) -> None:
    arrivals = Arrivals(tmp_path, settle_s=0.02)
    jpeg(tmp_path / "a.jpg")
    stop = threading.Event()
    for path in arrivals.follow(stop, every_s=0.02):
        assert path.name == "a.jpg"
        stop.set()
    assert stop.is_set()
