"""Training shots: the same for the same seed, with a truth that holds."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest

from models.errors import PosewallError
from models.training import samples, subjects
from models.training.samples import SIZES, sample, screen, subsampled
from models.training.subjects import Subject, decode, encode, from_premultiplied


def write_subject(folder: Path, name: str = "t1") -> None:
    """A disc with a soft edge, orange, and greener before a green screen."""
    y, x = np.mgrid[0:160, 0:120]
    alpha = np.clip(0.5 + (45 - np.hypot(y - 90, x - 60)) / 6, 0, 1)
    cv2.imwrite(str(folder / f"{name}_a.png"), (np.round(alpha * 4095) * 16).astype(np.uint16))
    for end, bgr in (("_f.jpg", (60, 150, 200)), ("_n.jpg", (60, 120, 200))):
        cv2.imwrite(str(folder / f"{name}{end}"), np.full((160, 120, 3), bgr, np.uint8))


def test_curves_are_inverse_and_the_standards() -> None:
    codes = np.arange(256)
    assert np.abs(encode(decode(codes)) - codes).max() < 0.01
    # IEC 61966-2-1: code 188 of 255 is about half the light (from memory: .5029).
    assert decode(np.array([188]))[0] == pytest.approx(0.5029, abs=2e-4)


def test_a_subject_is_read_as_it_was_written(tmp_path: Path) -> None:
    write_subject(tmp_path)
    assert subjects.names(tmp_path) == ["t1"]
    s = subjects.load(tmp_path, "t1")
    assert s.alpha.max() == 1
    assert s.alpha.min() == 0
    assert s.lit[90, 60, 1] > s.neutral[90, 60, 1] * 1.3
    back = from_premultiplied(s.premultiplied())
    inside = s.alpha > 0.01
    assert np.abs(back.lit - s.lit)[inside].max() < 1e-4


def test_what_is_missing_is_said(tmp_path: Path) -> None:
    with pytest.raises(PosewallError, match="no training subject"):
        subjects.names(tmp_path)
    write_subject(tmp_path)
    (tmp_path / "t1_n.jpg").unlink()
    with pytest.raises(PosewallError, match=r"t1_n\.jpg"):
        subjects.load(tmp_path, "t1")


def test_a_shot_is_the_same_for_its_seed_and_another_for_another(tmp_path: Path) -> None:
    write_subject(tmp_path)
    seeds = range(12)
    shots = [sample(tmp_path, "t1", seed) for seed in seeds]
    for seed, shot in zip(seeds, shots, strict=True):
        again = sample(tmp_path, "t1", seed)
        assert np.array_equal(shot.shot, again.shot)
        assert np.array_equal(shot.alpha, again.alpha)
        assert shot.shot.shape[:2] == shot.alpha.shape
        assert shot.alpha.shape in SIZES
        assert 0 <= shot.alpha.min() <= shot.alpha.max() <= 1
    assert len({shot.shot.tobytes() for shot in shots}) == len(shots)
    assert {shot.plate is None for shot in shots} == {True, False}


def test_where_alpha_is_0_the_shot_shows_the_screen(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Without noise, coding and shadow, a shot's bare part is its plate to the code."""
    write_subject(tmp_path)
    monkeypatch.setattr(
        samples, "_camera", lambda p, r: [np.round(encode(x)).astype(np.uint8) for x in p]
    )
    monkeypatch.setattr(samples, "_shadow", lambda alpha, r: np.ones((*alpha.shape, 1), "f4"))
    monkeypatch.setattr(samples, "_handled", lambda plate, r: plate)
    for seed in range(6):
        shot = sample(tmp_path, "t1", seed)
        assert shot.plate is not None
        bare, solid = shot.alpha == 0, shot.alpha > 0.99
        assert np.array_equal(shot.shot[bare], shot.plate[bare])
        if solid.any():
            off = np.abs(shot.shot.astype(int) - shot.plate)[solid]
            assert off.max() > 20


def test_a_screen_is_green_however_it_is_lit() -> None:
    for seed in range(20):
        lit = screen((96, 72), np.random.default_rng(seed), usual=seed % 2 == 0)
        assert lit.shape == (96, 72, 3)
        assert (lit[..., 1] > lit[..., 0]).all()
        assert (lit[..., 1] > lit[..., 2]).all()


def test_subsampling_keeps_luma_and_halves_chroma() -> None:
    rgb = np.zeros((8, 8, 3), np.uint8)
    rgb[:, ::2] = (180, 60, 60)
    rgb[:, 1::2] = (60, 180, 60)
    got = subsampled(rgb).astype(float)
    luma = np.array([0.2126, 0.7152, 0.0722])
    assert np.abs((got - rgb) @ luma).max() < 1.5
    # Red and green in turn have no chroma left of their own.
    assert abs((got[4, 4] - got[4, 5])[0] - (got[4, 4] - got[4, 5])[2]) < 3


def test_mirroring_lights_what_is_solid_and_leaves_alpha(tmp_path: Path) -> None:
    write_subject(tmp_path)
    s: Subject = subjects.load(tmp_path, "t1")
    back = np.full((160, 120, 3), (0.03, 0.4, 0.07), np.float32)
    got = subjects.mirroring(s, back, np.random.default_rng(1))
    assert np.array_equal(got.alpha, s.alpha)
    assert np.abs(got.lit - s.lit)[s.alpha > 0.99].max() > 0.05
    assert np.array_equal(got.lit[s.alpha == 0], s.lit[s.alpha == 0])
