"""Subjects are read, moved and told apart."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from models.errors import PosewallError
from models.training import subjects
from models.training.subjects import decode, encode, from_premultiplied
from tests.models.training.test_samples import write_subject


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


def test_subjects_of_several_folders_come_with_their_folder(tmp_path: Path) -> None:
    for folder, names in (("a", ["t1", "t2"]), ("b", ["t1"])):
        (tmp_path / folder).mkdir()
        for name in names:
            write_subject(tmp_path / folder, name)
    a, b = tmp_path / "a", tmp_path / "b"
    assert subjects.found([a, b]) == [(a, "t1"), (a, "t2"), (b, "t1")]
    with pytest.raises(PosewallError, match="no training subject"):
        subjects.found([a, tmp_path])


def test_one_of_twelve_is_held_out() -> None:
    out = [n for n in range(1000, 2200) if subjects.held_out(f"t{n}")]
    assert 70 < len(out) < 130
    # zlib's own value: 0xcbf43926 (3421780262) for "123456789", the check value of CRC-32.
    assert subjects.held_out("123456789") == (0xCBF43926 % 12 == 0)


def test_a_close_up_is_solid_and_a_ghost_has_none(tmp_path: Path) -> None:
    write_subject(tmp_path)
    s = subjects.load(tmp_path, "t1")
    for seed in range(6):
        got = subjects.close_up(s, (96, 128), np.random.default_rng(seed))
        assert got.alpha.shape == (96, 128)
        assert got.alpha.mean() > 0.85
    ghost = subjects.Subject(s.alpha * np.float32(0.5), s.lit, s.neutral)
    assert subjects.close_up(ghost, (96, 128), np.random.default_rng(0)).alpha.max() <= 0.51
