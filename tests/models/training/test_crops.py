"""Crops of shots: what the network sees and the truth lie on each other."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import torch

from models.basis import ASKED, CHANNELS, OWN
from models.color import SRGB_8BIT
from models.keyer import Grade, Keyer
from models.training import crops, samples
from models.training.chances import USUAL, Chances, names
from models.training.crops import SIDE, TOTAL, Wish
from tests.models.training.test_samples import write_subject


def only(**some: float) -> Chances:
    return Chances(**{**dict.fromkeys(names(), 0.0), **some})


@pytest.fixture
def small(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Path:
    monkeypatch.setattr(samples, "SIZES", {(480, 360): 1.0})
    write_subject(tmp_path)
    return tmp_path


@pytest.mark.parametrize("grade", list(Grade))
def test_the_matte_and_the_truth_of_a_plain_shot_lie_on_each_other(
    small: Path, grade: Grade
) -> None:
    made = [crops.crops(Wish((small, "t1"), seed, grade, 2), only(plate=1)) for seed in range(4)]
    x = torch.from_numpy(np.concatenate([m for m in made if m is not None])).float()
    assert x.shape == (len(x), TOTAL, SIDE, SIDE)
    assert bool(x.isfinite().all())
    within = x[:, -1] > 0
    own, truth = x[:, OWN][within], x[:, CHANNELS][within]
    assert float((own - truth).abs().mean()) < 0.04
    moved = torch.roll(x[:, CHANNELS], 6, -1)[within]
    assert float((own - moved).abs().mean()) > 1.4 * float((own - truth).abs().mean())
    solid = (truth > 0.999) & (x[:, ASKED][within] == 0)
    seen = x[:, 7:10].permute(0, 2, 3, 1)[within][solid]
    color = x[:, CHANNELS + 1 : CHANNELS + 4].permute(0, 2, 3, 1)[within][solid]
    assert float((seen - color).abs().mean()) < 0.15


def test_a_crop_is_the_same_for_its_wish_and_smaller_shots_are_marked(
    small: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    wish = Wish((small, "t1"), 5, Grade.FINAL, 1)
    one, two = crops.crops(wish, USUAL), crops.crops(wish, USUAL)
    assert one is not None
    assert two is not None
    assert np.array_equal(one, two)
    monkeypatch.setattr(samples, "SIZES", {(240, 180): 1.0})
    tiny = crops.crops(wish, only())
    assert tiny is not None
    again = crops.crops(replace(wish, crops=3), only())
    assert again is not None
    assert np.array_equal(again, tiny)  # one crop shows it all
    within = tiny[0, -1]
    assert 0 < within.sum() <= 240 * 180
    assert within[-1].sum() == within[:, -1].sum() == 0


def test_beside_the_screen_nothing_is_learnt(small: Path) -> None:
    shot = samples.sample(small, "t1", 3, only(ending=1))
    assert shot.aside is not None
    bare = samples.Sample(shot.shot, shot.plate, shot.alpha, shot.color)
    keyer = Keyer(Grade.FINAL)
    basis = keyer.basis(samples.planes(shot.shot), SRGB_8BIT)
    assert basis is not None
    factor = -(-shot.alpha.shape[0] // basis.size[0])
    aside = torch.from_numpy(shot.aside[basis.rows.start * factor : basis.rows.stop * factor])
    aside = aside[:, basis.columns.start * factor : basis.columns.stop * factor].float()
    touched = torch.nn.functional.max_pool2d(aside[None, None], factor, ceil_mode=True) > 0
    learnt = crops.truth(shot, basis)[:, -1:]
    assert torch.equal(learnt == 0, touched)
    assert 0 < touched.float().mean() < 0.6
    assert bool((crops.truth(bare, basis)[:, -1] == 1).all())


def test_only_edges_that_a_crop_alone_has_are_not_learnt() -> None:
    whole = torch.ones(1, TOTAL, SIDE + 200, SIDE)
    r = np.random.default_rng(1)
    tops = set()
    whole[:, 0] = torch.arange(SIDE + 200.0)[:, None]
    for _ in range(24):
        part = crops.cut(whole, r)[0]
        top = int(part[0, 0, 0])
        tops.add(top)
        rows = np.ones(SIDE, bool)
        rows[: 24 if top > 0 else 0] = False
        rows[SIDE - (24 if top < 200 else 0) :] = False
        assert np.array_equal(part[-1] == 1, np.repeat(rows[:, None], SIDE, 1))
    assert len(tops) > 3
    assert bool((whole[:, -1] == 1).all())


def test_a_shot_without_a_screen_gives_none(small: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    shot = samples.sample(small, "t1", 3)
    grey = samples.Sample(shot.shot * 0 + 90, None, shot.alpha, shot.color)
    monkeypatch.setattr(samples, "sample", lambda *_: grey)
    assert crops.crops(Wish((small, "t1"), 5, Grade.FINAL, 1), USUAL) is None
