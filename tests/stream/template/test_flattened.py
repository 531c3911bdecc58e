"""Finished parts on disk: the same back, bounded, and nothing trusted that is damaged."""

from __future__ import annotations

import logging
import os
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pytest
import torch

from models.blend import Mode
from models.composite import Overlay, Scene, apply_overlays
from models.flatten import Flat, Folded
from stream.template import Layer, Template, flattened, load_template, part_file
from stream.template.flattened import Flattened, Part
from stream.template.part_file import PartFile
from tests.stream.template.building import folder_of

SIZE = (6, 8)
KEY = ("above", 0, SIZE)


def cache(folder: Path, budget: int = 1 << 20, version: str = "v1") -> Flattened:
    return Flattened(folder / ".flattened", version, budget)


def parts() -> list[Part]:
    g = torch.Generator().manual_seed(3)

    def some(channels: int) -> torch.Tensor:
        return torch.rand(1, channels, *SIZE, generator=g)

    return [
        some(3),
        Flat(some(3), some(1)),
        Folded(),
        Folded(
            (
                Overlay(gain=some(1).expand(1, 3, *SIZE), offset=some(3)),
                Overlay(rgb_enc=some(3), alpha=some(1), mode=Mode.SCREEN, coverage=some(1)),
                Overlay(gain=some(3), offset=some(3)),
            ),
            some(1),
        ),
    ]


def equal(a: Part | None, b: Part) -> bool:
    if isinstance(b, torch.Tensor):
        return isinstance(a, torch.Tensor) and torch.equal(a, b)
    if isinstance(b, Flat):
        return isinstance(a, Flat) and equal(a.rgb_pm, b.rgb_pm) and equal(a.alpha, b.alpha)
    if not isinstance(a, Folded) or len(a.overlays) != len(b.overlays):
        return False
    if (a.coverage is None) != (b.coverage is None):
        return False
    picture = torch.rand(1, 3, *SIZE)
    same = all(x.mode is y.mode for x, y in zip(a.overlays, b.overlays, strict=True))
    return same and torch.equal(
        apply_overlays(picture, a.overlays), apply_overlays(picture, b.overlays)
    )


@pytest.mark.parametrize("index", range(4))
def test_what_was_kept_is_found(tmp_path: Path, index: int) -> None:
    part = parts()[index]
    cache(tmp_path).keep(KEY, part)
    assert equal(cache(tmp_path).find(KEY), part)


def test_a_repeated_channel_takes_no_room(tmp_path: Path) -> None:
    one = torch.rand(1, 1, *SIZE).expand(1, 3, *SIZE)
    kept = cache(tmp_path)
    kept.keep(KEY, Folded((Overlay(gain=one, offset=torch.rand(1, 3, *SIZE)),)))
    found = kept.find(KEY)
    assert isinstance(found, Folded)
    gain = found.overlays[0].gain
    assert gain is not None
    assert gain.stride(1) == 0
    assert torch.equal(gain, one)


def test_every_part_of_the_key_counts(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    kept = cache(tmp_path)
    kept.keep(KEY, torch.zeros(1))
    assert kept.find(KEY) is not None
    for other in (("below", 0, SIZE), ("above", 1, SIZE), ("above", 0, (8, 6))):
        assert kept.find(other) is None
    assert cache(tmp_path, version="v2").find(KEY) is None
    with monkeypatch.context() as m:
        m.setattr(flattened, "libraries", lambda: "resvg-py 99")
        assert kept.find(KEY) is None
    assert kept.find(KEY) is not None
    monkeypatch.setattr(flattened, "FORMAT", flattened.FORMAT + 1)
    assert kept.find(KEY) is None


def test_the_libraries_of_the_key_are_installed() -> None:
    assert "none" not in flattened.libraries()


def test_the_one_unused_for_longest_goes(tmp_path: Path) -> None:
    kept = cache(tmp_path, budget=10_000)
    part = torch.rand(1000)  # 4 kB
    keys = [("above", i, SIZE) for i in range(3)]
    for i, key in enumerate(keys[:2]):
        kept.keep(key, part)
        os.utime(kept.path(key), (1000 + i, 1000 + i))
    assert kept.find(keys[0]) is not None  # and so it was used last
    kept.keep(keys[2], part)
    assert [kept.find(key) is not None for key in keys] == [True, False, True]
    assert sum(p.stat().st_size for p in kept.folder.iterdir()) <= 10_000


def test_one_over_the_budget_is_not_kept(tmp_path: Path) -> None:
    kept = cache(tmp_path, budget=1000)
    kept.keep(KEY, torch.rand(1000))
    assert kept.find(KEY) is None


@pytest.mark.parametrize("damage", ["cut", "flip", "empty", "other", "head"])
def test_a_damaged_file_is_as_good_as_none(
    tmp_path: Path, damage: str, caplog: pytest.LogCaptureFixture
) -> None:
    kept = cache(tmp_path)
    for part in parts():
        kept.keep(KEY, part)
        path = kept.path(KEY)
        data = bytearray(path.read_bytes())
        if damage == "cut":
            del data[len(data) // 2 :]
        elif damage == "flip":
            data[-1] ^= 1
        elif damage == "empty":
            data.clear()
        elif damage == "other":
            data[:] = b"GIF89a" * 40
        else:
            data[:8] = b"\xff" * 8
        if damage == "flip" and isinstance(part, Folded) and not part.overlays:
            continue  # it has no bytes beyond its head
        path.write_bytes(data)
        with caplog.at_level(logging.WARNING, "posewall.template"):
            caplog.clear()
            assert kept.find(KEY) is None
        assert "made anew" in caplog.text
        assert not path.exists()
        kept.keep(KEY, part)
        assert equal(kept.find(KEY), part)


def test_a_folder_that_cannot_be_written_costs_no_picture(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    (tmp_path / ".flattened").write_text("a file in the way")
    kept = cache(tmp_path)
    with caplog.at_level(logging.WARNING, "posewall.template"):
        kept.keep(KEY, torch.zeros(1))
    assert "was not kept" in caplog.text
    assert kept.find(KEY) is None


def test_nothing_half_written_is_left(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(*_: object, **__: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(part_file, "write", broken)
    kept = cache(tmp_path)
    kept.keep(KEY, torch.zeros(1))
    assert list(kept.folder.iterdir()) == []


def test_a_second_start_unpacks_no_layer(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    kept = cache(tmp_path, budget=1 << 24)
    folder = folder_of(tmp_path / "ball")
    first = load_template(folder)
    size, fields = (60, 48), {"name": "Ana"}

    def scene(t: Template) -> Scene:
        return replace(t, _kept=kept).scene(size, fields)

    made, plain = scene(first), first.scene(size, fields)
    again = load_template(folder)

    def refuse(_: Layer) -> torch.Tensor:
        raise AssertionError("a layer was unpacked")

    monkeypatch.setattr(Layer, "pixels", refuse)
    found = scene(again)
    picture = torch.rand(1, 3, *size)
    for other in (plain, found):
        assert torch.equal(made.below, other.below)
        assert torch.equal(
            apply_overlays(picture, made.overlays), apply_overlays(picture, other.overlays)
        )


ROWS = slice(1, 3)
USE = """
import sys
from pathlib import Path
from tests.stream.template.test_flattened import KEY, ROWS, cache
assert cache(Path(sys.argv[1])).find(KEY, ROWS) is not None
"""


@pytest.fixture
def checks(monkeypatch: pytest.MonkeyPatch) -> list[Path]:
    """The files whose bytes are read whole to check them, from now on."""
    out: list[Path] = []
    sound = vars(PartFile)["sound"].fget

    def told(file: PartFile) -> bool:
        out.append(Path(str(file._file.name)))
        return bool(sound(file))

    monkeypatch.setattr(PartFile, "sound", property(told))
    return out


def test_bytes_are_checked_once_though_others_use_the_part(
    tmp_path: Path, checks: list[Path]
) -> None:
    cache(tmp_path).keep(KEY, parts()[0])
    for _ in range(2):
        assert cache(tmp_path).find(KEY, ROWS) is not None
        subprocess.run([sys.executable, "-W", "ignore", "-c", USE, str(tmp_path)], check=True)
    assert cache(tmp_path).find(KEY, ROWS) is not None
    assert len(checks) == 1


@pytest.mark.parametrize("how", ["in place", "another"])
def test_bytes_are_checked_again_once_they_were_written(
    how: str, tmp_path: Path, checks: list[Path]
) -> None:
    kept = cache(tmp_path)
    kept.keep(KEY, parts()[0])
    path = kept.path(KEY)
    assert kept.find(KEY, ROWS) is not None
    assert kept.find(KEY, ROWS) is not None
    assert len(checks) == 1
    data = bytearray(path.read_bytes())
    data[-1] ^= 1
    into = path if how == "in place" else tmp_path / "other"
    into.write_bytes(data)
    into.replace(path)
    assert kept.find(KEY, ROWS) is None
    assert len(checks) == 2


def test_what_cannot_be_removed_costs_neither_the_rest_nor_the_newest(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    """As on Windows, where a file that another process reads stays."""
    kept = cache(tmp_path, budget=9_000)
    keys = [("above", i, SIZE) for i in range(3)]
    for i, key in enumerate(keys[:2]):
        kept.keep(key, torch.rand(1000))
        os.utime(kept.path(key), (1000 + i, 1000 + i))
    unlink = Path.unlink

    def refused(path: Path, missing_ok: bool = False) -> None:
        if path == kept.path(keys[0]):
            raise PermissionError(13, "The process cannot access the file")
        unlink(path, missing_ok)

    monkeypatch.setattr(Path, "unlink", refused)
    with caplog.at_level(logging.WARNING, "posewall.template"):
        assert kept.keep(keys[2], torch.rand(1000))
    assert not caplog.records
    assert [kept.find(key) is not None for key in keys] == [True, False, True]


def test_a_part_that_is_read_elsewhere_is_kept(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    """As on Windows, where no file is put in the place of one that is open."""
    kept, part = cache(tmp_path), parts()[0]
    kept.keep(KEY, part)

    def refused(path: Path, target: Path) -> None:
        raise PermissionError(13, "Access is denied")

    monkeypatch.setattr(Path, "replace", refused)
    with caplog.at_level(logging.WARNING, "posewall.template"):
        assert kept.keep(KEY, part)
        assert not kept.keep(("above", 1, SIZE), part)
    assert [record.getMessage()[:32] for record in caplog.records] == [
        "A flattened design was not kept "
    ]
    assert equal(kept.find(KEY), part)
    assert [path.name for path in kept.folder.iterdir()] == [kept.path(KEY).name]
