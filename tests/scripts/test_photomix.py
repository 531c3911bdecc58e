"""Scenes mixed from pictures: their equation, their spill, their form, and mistakes."""

from __future__ import annotations

import sys
import zlib
from pathlib import Path
from types import ModuleType

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from scripts import photomix
from scripts.scenes import open_scenes
from stream.errors import UserError
from tests.scripts.folder import SCORE

SIZE = (96, 72)
COUNT = 5
FILES = ("alpha.png", "fg.png", "fg_neutral.png", "plate.png", "screen.png", "shot.png")
# Reads the files as the module's docstring tells them.
LOAD = """
from pathlib import Path
import cv2
import numpy as np
from score import srgb_dec

STILLS = Path(__file__).parent / "data" / "stills"
VARIANTS = ["clean"]

def codes(path):
    x = cv2.imread(str(path), cv2.IMREAD_UNCHANGED)
    return x[..., ::-1] if x.ndim == 3 else x

def stills():
    return sorted(p.name for p in STILLS.iterdir())

def videos():
    return []

def video(name):
    raise KeyError(name)

def still(name):
    at = STILLS / name
    a = codes(at / "alpha.png") / 65535
    F, N, B, B0 = (srgb_dec(codes(at / f"{n}.png") / 65535)
                   for n in ("fg", "fg_neutral", "screen", "plate"))
    B, B0 = 2 * B, 2 * B0
    return dict(a=a, F=F, N=N, B=B, B0=B0, C=a[..., None] * F + (1 - a[..., None]) * B)

def variant(kind, d, seed=0):
    x = np.clip(d["C"], 0, 1)
    return np.where(x <= .0031308, 12.92 * x, 1.055 * x ** (1 / 2.4) - .055) * 255

def plate(kind, d):
    return variant(kind, dict(d, C=d["B0"]))
"""


def _picture(path: Path, seed: int, size: tuple[int, int] = (60, 50)) -> None:
    r = np.random.default_rng(seed)
    coarse = r.integers(0, 256, (size[0] // 5, size[1] // 5, 3)).astype(np.uint8)
    cv2.imwrite(str(path), cv2.resize(coarse, size[::-1], interpolation=cv2.INTER_NEAREST))


def _names(held_out: bool, count: int) -> list[str]:
    every = (f"t{n}" for n in range(1000))
    return [n for n in every if (zlib.crc32(n.encode()) % 12 == 0) == held_out][:count]


def _subject(folder: Path, name: str, radius: int) -> None:
    alpha = np.zeros((64, 48), np.float32)
    cv2.circle(alpha, (24, 30), radius, 1, -1)
    soft = cv2.GaussianBlur(alpha, (0, 0), 2)
    cv2.imwrite(str(folder / f"{name}_a.png"), np.round(soft * 65520).astype(np.uint16))
    for end in ("_f.jpg", "_n.jpg"):
        cv2.imwrite(str(folder / f"{name}{end}"), np.full((64, 48, 3), 128, np.uint8))


@pytest.fixture
def room(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Folders with all that is needed; modules of a scorer are forgotten afterwards."""
    for name in ("load", "score"):
        monkeypatch.setitem(sys.modules, name, ModuleType(name))
    for name in ("subjects", "photos", "screens", "scorer"):
        (tmp_path / name).mkdir()
    for radius, name in enumerate([*_names(True, 2), *_names(False, 3)], 10):
        _subject(tmp_path / "subjects", name, radius)
    for seed in range(3):
        _picture(tmp_path / "photos" / f"photo{seed}.png", seed)
        _picture(tmp_path / "screens" / f"wall{seed}.jpg", 10 + seed)
    (tmp_path / "scorer" / "load.py").write_text(LOAD, "utf-8")
    (tmp_path / "scorer" / "score.py").write_text(SCORE, "utf-8")
    return tmp_path


def _make(room: Path, out: str = "out") -> Path:
    folders = room / "subjects", room / "photos", room / "screens"
    photomix.make(folders, room / "scorer", room / out, SIZE, COUNT)
    return room / out


def test_shots_are_what_their_parts_mix_to(room: Path) -> None:
    scenes = open_scenes(_make(room))
    assert len(scenes.load.stills()) == COUNT
    for name in scenes.load.stills():
        d = scenes.load.still(name)
        path = scenes.folder / "data" / "stills" / name / "shot.png"
        shot = cv2.imread(str(path), cv2.IMREAD_UNCHANGED)
        assert shot is not None
        assert shot.shape == (*SIZE, 3)
        assert np.abs(shot[..., ::-1] - scenes.load.variant("clean", d)).max() < 0.51
        assert max(d["F"].max(), d["B"].max()) < 1  # nothing was clipped
        assert ((d["a"] > 0) & (d["a"] < 1)).any()
        assert (d["B"] <= d["B0"] + 1e-4).all()  # a shadow only darkens
        assert (d["B"] < 0.95 * d["B0"]).any()


def test_the_screen_is_green_and_now_and_then_blue(room: Path) -> None:
    scenes = open_scenes(_make(room))
    keys = [scenes.load.still(n)["B0"].mean((0, 1)).argmax() for n in scenes.load.stills()]
    assert keys == [1, 1, 1, 1, 2]


def test_fg_neutral_lacks_the_hue_of_the_screens_light_alone(room: Path) -> None:
    scenes = open_scenes(_make(room))
    for name in scenes.load.stills():
        d = scenes.load.still(name)
        spill = d["F"] - d["N"]
        key = int(d["B0"].mean((0, 1)).argmax())
        assert spill[..., key].min() > 0
        assert np.abs(spill @ [0.2126, 0.7152, 0.0722]).max() < 1e-4  # of equal luminance


def test_a_share_of_the_light_is_added_most_of_it_near_the_rim() -> None:
    y, x = np.mgrid[0:200, 0:200]
    alpha = np.clip(60 - np.hypot(y - 100, x - 100), 0, 1).astype(np.float32)
    light: NDArray[np.float32] = np.empty((200, 200, 3), np.float32)
    light[:] = 0.02, 0.4, 0.06
    colors = np.full_like(light, 0.2)
    for seed in range(20):
        lit, neutral = photomix.spilled(colors, alpha, light, np.random.default_rng(seed))
        share = (lit - colors) / light
        assert np.ptp(share, axis=2).max() < 1e-4
        assert share.min() > 0.05 - 1e-4
        assert share.max() < 0.3 + 1e-4
        assert share[100, 41].min() > share[100, 100].max() + 0.01
        grey = 0.2126 * 0.02 + 0.7152 * 0.4 + 0.0722 * 0.06
        assert np.abs(neutral - colors - share * grey).max() < 1e-4


def test_a_surface_varies_by_a_fifth_at_most() -> None:
    r = np.random.default_rng(1)
    picture = r.random((80, 70, 3)).astype(np.float32) ** 4
    for seed in range(10):
        gain = photomix.texture(picture, SIZE, np.random.default_rng(seed))
        assert gain.shape == SIZE
        assert 0.02 < np.abs(gain - 1).max() <= 0.2 + 1e-6


def test_only_subjects_that_training_leaves_out_are_used(room: Path) -> None:
    assert photomix.kept_out(room / "subjects") == sorted(_names(True, 2))


def test_the_same_comes_out_twice(room: Path) -> None:
    first, second = _make(room), _make(room, "again")
    files = [p.relative_to(first) for p in sorted(first.rglob("*.png"))]
    assert len(files) == COUNT * len(FILES)
    assert all((first / f).read_bytes() == (second / f).read_bytes() for f in files)


def test_the_form_is_complete(room: Path) -> None:
    out = _make(room)
    assert (out / "load.py").read_text("utf-8") == LOAD
    assert (out / "score.py").read_text("utf-8") == SCORE
    for folder in (out / "data" / "stills").iterdir():
        assert sorted(p.name for p in folder.iterdir()) == list(FILES)
        for name in FILES:
            picture = cv2.imread(str(folder / name), cv2.IMREAD_UNCHANGED)
            assert picture is not None
            assert picture.dtype == (np.uint8 if name == "shot.png" else np.uint16)
            assert picture.shape[:2] == SIZE


@pytest.mark.parametrize(
    ("emptied", "words"),
    [
        ("subjects", "no training subject is in it"),
        ("photos", "there is no PNG, JPEG or TIFF picture in it"),
        ("screens", "there is no PNG, JPEG or TIFF picture in it"),
        ("scorer", "there is no load.py in it"),
    ],
)
def test_an_empty_folder_is_told_in_one_sentence(
    room: Path, capsys: pytest.CaptureFixture[str], emptied: str, words: str
) -> None:
    for path in (room / emptied).iterdir():
        path.unlink()
    names = ("subjects", "photos", "screens", "scorer", "out")
    assert photomix.main([str(room / n) for n in names]) == 2
    said = capsys.readouterr().err
    assert said.startswith(f"photomix: {room / emptied}: ")
    assert words in said
    assert said.count("\n") == 1
    assert not (room / "out").exists()


def test_subjects_for_training_alone_do_not_do(room: Path) -> None:
    for name in _names(True, 2):
        (room / "subjects" / f"{name}_a.png").unlink()
    with pytest.raises(UserError, match="training takes every subject in it"):
        _make(room)


def test_a_picture_that_cannot_be_read_is_named(room: Path) -> None:
    (room / "photos" / "photo0.png").write_bytes(b"no picture")
    with pytest.raises(UserError, match=r"photo0\.png: this picture could not be read"):
        _make(room)


def test_what_is_there_already_is_left_alone(room: Path) -> None:
    (room / "out").mkdir()
    (room / "out" / "kept.txt").write_text("mine", "utf-8")
    with pytest.raises(UserError, match="something is there already"):
        _make(room)
    assert [p.name for p in (room / "out").iterdir()] == ["kept.txt"]
