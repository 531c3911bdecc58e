"""Training shots: the same for the same seed, with a truth that holds."""

from __future__ import annotations

import shutil
from pathlib import Path

import cv2
import numpy as np
import pytest

from models.training import chances, samples, subjects
from models.training.chances import Chances
from models.training.samples import SIZES, mixed, sample
from models.training.subjects import Subject, encode, over

NOTHING = Chances().without(*chances.names())
SMALL = (240, 180)


def write_subject(folder: Path, name: str = "t1") -> None:
    """A disc with a soft edge, orange, and greener before a green screen."""
    y, x = np.mgrid[0:160, 0:120]
    alpha = np.clip(0.5 + (45 - np.hypot(y - 90, x - 60)) / 6, 0, 1)
    cv2.imwrite(str(folder / f"{name}_a.png"), (np.round(alpha * 4095) * 16).astype(np.uint16))
    for end, bgr in (("_f.jpg", (60, 150, 200)), ("_n.jpg", (60, 120, 200))):
        cv2.imwrite(str(folder / f"{name}{end}"), np.full((160, 120, 3), bgr, np.uint8))


def just(**some: float) -> Chances:
    """Nothing happens but this."""
    return Chances(**{**vars(NOTHING), **some})


@pytest.fixture
def small(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(samples, "SIZES", {SMALL: 1.0})


def test_a_shot_is_the_same_for_its_seed_and_another_for_another(tmp_path: Path) -> None:
    write_subject(tmp_path)
    seeds = range(12)
    shots = [sample(tmp_path, "t1", seed) for seed in seeds]
    for seed, shot in zip(seeds, shots, strict=True):
        again = sample(tmp_path, "t1", seed)
        assert np.array_equal(shot.shot, again.shot)
        assert np.array_equal(shot.alpha, again.alpha)
        assert np.array_equal(shot.color, again.color)
        assert shot.color.shape == shot.shot.shape
        assert shot.shot.shape[:2] == shot.alpha.shape
        assert shot.alpha.shape in SIZES
        assert 0 <= shot.alpha.min() <= shot.alpha.max() <= 1
    assert len({shot.shot.tobytes() for shot in shots}) == len(shots)
    assert {shot.plate is None for shot in shots} == {True, False}


@pytest.mark.usefixtures("small")
def test_where_alpha_is_0_the_shot_shows_the_screen(tmp_path: Path) -> None:
    """Without noise, coding and shadow, a shot's bare part is its plate to the code."""
    write_subject(tmp_path)
    for seed in range(6):
        shot = sample(tmp_path, "t1", seed, just(plate=1))
        assert shot.plate is not None
        bare, solid = shot.alpha == 0, shot.alpha > 0.99
        assert np.array_equal(shot.shot[bare], shot.plate[bare])
        if solid.any():
            off = np.abs(shot.shot.astype(int) - shot.plate)[solid]
            assert off.max() > 20


@pytest.mark.usefixtures("small")
@pytest.mark.parametrize("curve", [0, 1])
def test_the_true_color_is_the_shot_s_where_nothing_is_between_them(
    tmp_path: Path, curve: int
) -> None:
    """Solid and without spill, noise and coding: to half a code and the rounding of a half."""
    write_subject(tmp_path)
    shutil.copy(tmp_path / "t1_n.jpg", tmp_path / "t1_f.jpg")
    for seed in range(6):
        shot = sample(tmp_path, "t1", seed, just(everybody=1, curve=curve))
        solid = shot.alpha == 1
        assert solid.mean() > 0.5
        assert np.abs(shot.color.astype(float) - shot.shot)[solid].max() < 0.6


@pytest.mark.usefixtures("small")
def test_the_true_color_has_no_spill(tmp_path: Path) -> None:
    write_subject(tmp_path)
    greener = []
    for seed in range(12):
        shot = sample(tmp_path, "t1", seed, just(everybody=1))
        solid = shot.alpha == 1
        greener.append((shot.shot - shot.color.astype(float))[solid].mean(0))
    # Code 150 of green before a green screen, 120 before a grey one: red and blue are the same.
    # Before a blue screen, the grey of its luminance adds a code.
    assert np.abs(np.array(greener)[:, 0]).max() < 1.2
    assert np.max(greener) > 10


@pytest.mark.parametrize("blue", [False, True])
def test_another_screen_s_light_is_of_the_luminance_of_its_grey(blue: bool) -> None:
    """The weights are those of ITU-R BT.709-6."""
    r = np.random.default_rng(2)
    weights = np.array([0.2126, 0.7152, 0.0722], np.float32)
    own = r.uniform(0.2, 0.5, (9, 7, 3)).astype(np.float32)
    share = r.uniform(0, 0.4, (9, 7, 1)).astype(np.float32)
    paint = np.array([0.03, 0.4, 0.07], np.float32)
    s = Subject(share[..., 0], own + share * paint, own + share * (paint @ weights))
    screen = paint[[0, 2, 1]] if blue else paint
    for amount in (0.0, 1.0, 1.5):
        got = samples.spilled_on(s, amount, blue)
        assert np.abs((got.lit - got.neutral) @ weights).max() < 1e-5
        light = amount * share * (screen - screen @ weights)
        assert np.allclose(got.lit - got.neutral, light, atol=1e-5)
    once = samples.spilled_on(s, 1, blue)
    assert np.allclose(once.lit, own + share * screen, atol=1e-5)
    if not blue:
        assert np.array_equal(once.neutral, s.neutral)


@pytest.mark.usefixtures("small")
def test_nobody_and_everybody(tmp_path: Path) -> None:
    write_subject(tmp_path)
    for seed in range(8):
        shot = sample(tmp_path, "t1", seed, just(nobody=1, plate=1))
        assert shot.alpha.max() == 0
        assert np.array_equal(shot.shot, shot.plate if shot.plate is not None else 0)
        assert sample(tmp_path, "t1", seed, just(everybody=1)).alpha.mean() > 0.85
    shaded = [sample(tmp_path, "t1", s, just(nobody=1, plate=1, shadow=1)) for s in range(8)]
    assert all(s.alpha.max() == 0 for s in shaded)
    assert sum(not np.array_equal(s.shot, s.plate) for s in shaded if s.plate is not None) > 4


@pytest.mark.usefixtures("small")
@pytest.mark.parametrize("what", ["beside", "drawn", "strands", "veiled", "blurred"])
def test_what_changes_the_outline_changes_only_alpha_and_what_it_hides(
    tmp_path: Path, what: str
) -> None:
    for name in ("t1", "t2"):
        write_subject(tmp_path, name)
    changed = 0
    for seed in range(8):
        without = sample(tmp_path, "t1", seed, NOTHING)
        got = sample(tmp_path, "t1", seed, just(**{what: 1}))
        changed += not np.array_equal(got.alpha, without.alpha)
        bare = (got.alpha == 0) & (without.alpha == 0)
        assert np.array_equal(got.shot[bare], without.shot[bare])
        if what in ("beside", "strands", "veiled"):
            assert (got.alpha >= without.alpha - 1e-3).all()
    assert changed >= 6


@pytest.mark.usefixtures("small")
@pytest.mark.parametrize(
    "what",
    ["dyed", "patterned", "mirroring", "shadow", "wrinkles", "seams", "marks", "floor", "ending",
     "noise", "curve", "sharpened", "jpeg", "subsampled", "subsampled_10bit", "h264"],
)  # fmt: skip
def test_what_changes_the_picture_leaves_alpha(tmp_path: Path, what: str) -> None:
    write_subject(tmp_path)
    changed = 0
    for seed in range(6):
        without = sample(tmp_path, "t1", seed, NOTHING)
        got = sample(tmp_path, "t1", seed, just(**{what: 1}))
        assert np.array_equal(got.alpha, without.alpha)
        changed += not np.array_equal(got.shot, without.shot)
        if what not in ("dyed", "patterned", "mirroring", "curve"):
            assert np.array_equal(got.color, without.color)
    assert changed >= 3


@pytest.mark.usefixtures("small")
def test_a_wrong_plate_is_another(tmp_path: Path) -> None:
    write_subject(tmp_path)
    differs = 0
    for seed in range(8):
        right = sample(tmp_path, "t1", seed, just(plate=1))
        wrong = sample(tmp_path, "t1", seed, just(plate=1, wrong_plate=1))
        assert np.array_equal(right.shot, wrong.shot)
        assert right.plate is not None
        assert wrong.plate is not None
        differs += not np.array_equal(right.plate, wrong.plate)
        assert sample(tmp_path, "t1", seed, just(wrong_plate=1)).plate is None
    assert differs >= 5


@pytest.mark.usefixtures("small")
def test_who_is_beside_is_not_held_out(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    for name in ("t1", "t2", "t3"):
        write_subject(tmp_path, name)
    monkeypatch.setattr(subjects, "held_out", lambda name: name == "t3")
    read, load = [], subjects.load

    def noted(folder: Path, name: str) -> Subject:
        read.append(name)
        return load(folder, name)

    monkeypatch.setattr(subjects, "load", noted)
    for seed in range(8):
        sample(tmp_path, "t1", seed, just(beside=1))
    assert set(read) == {"t1", "t2"}


def test_subjects_one_before_another_are_mixed_as_one_after_another() -> None:
    r = np.random.default_rng(0)

    def some() -> Subject:
        alpha = r.uniform(0.02, 1, (9, 7)).astype(np.float32)
        colors = r.random((2, 9, 7, 3)).astype(np.float32)
        return Subject(alpha, *colors)

    front, behind, back = some(), some(), r.random((9, 7, 3)).astype(np.float32)
    both = over(front, behind)
    assert np.allclose(mixed(both, back), mixed(front, mixed(behind, back)), atol=1e-5)
    assert np.allclose(1 - both.alpha, (1 - front.alpha) * (1 - behind.alpha), atol=1e-6)
    spared = Subject(both.alpha, both.neutral, both.neutral)
    first = Subject(behind.alpha, behind.neutral, behind.neutral)
    second = Subject(front.alpha, front.neutral, front.neutral)
    assert np.allclose(mixed(spared, back), mixed(second, mixed(first, back)), atol=1e-5)
    assert encode(mixed(both, back)).max() <= 255
