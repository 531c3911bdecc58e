"""Training runs on a CPU, learns, and writes weights that the Keyer's network takes."""

from __future__ import annotations

from pathlib import Path

import pytest
import torch
from safetensors.torch import load_file

from models.errors import PosewallError
from models.estimator import Estimator
from models.keyer import Grade
from models.training import matte, samples, subjects
from models.training.chances import USUAL
from tests.models.training.test_samples import write_subject


@pytest.fixture
def small(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(matte, "_PIXELS", 256)
    monkeypatch.setattr(matte, "_BATCH", 4)
    monkeypatch.setattr(samples, "SIZES", {(240, 180): 0.7, (120, 160): 0.3})


@pytest.mark.usefixtures("small")
def test_it_learns_and_its_weights_give_what_it_gave(tmp_path: Path) -> None:
    write_subject(tmp_path)
    clear = USUAL.without("drawn", "dyed", "everybody", "mirroring", "nobody", "strands", "veiled")
    shots = [samples.sample(tmp_path, "t1", seed, clear) for seed in range(24)]
    described = [d for s in shots if (d := matte.describe_shot(s, Grade.LIVE, "cpu")) is not None]
    told = matte.stacked(described)
    net, course = matte.train(told, Grade.LIVE, 150, seed=0)
    assert len(course) == 2
    assert course[1] < 0.7 * course[0]
    matte.write(net, tmp_path / "out.safetensors")
    again = Estimator(*matte.SHAPE[Grade.LIVE])
    again.load_state_dict(load_file(tmp_path / "out.safetensors"))
    x = torch.rand(50, net.first.weight.shape[1])
    torch.testing.assert_close(again(x), net(x))


@pytest.mark.usefixtures("small")
def test_a_shot_is_described_the_same_for_its_seed(tmp_path: Path) -> None:
    write_subject(tmp_path)
    shot = samples.sample(tmp_path, "t1", 4)
    one, again, other = (matte.describe_shot(shot, Grade.LIVE, "cpu", s) for s in (1, 1, 2))
    assert one is not None
    assert again is not None
    assert other is not None
    assert all(torch.equal(a, b) for a, b in zip(one, again, strict=True))
    assert not torch.equal(one[2], other[2])


@pytest.mark.usefixtures("small")
def test_a_shot_without_a_screen_is_left_out(tmp_path: Path) -> None:
    write_subject(tmp_path)
    shot = samples.sample(tmp_path, "t1", 3)
    grey = samples.Sample(shot.shot * 0 + 90, None, shot.alpha, shot.color)
    assert matte.describe_shot(grey, Grade.FINAL, "cpu") is None


def test_held_out_subjects_are_not_learnt_from(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for name in ("t1", "t2", "t3", "t4"):
        write_subject(tmp_path, name)
    monkeypatch.setattr(subjects, "held_out", lambda name: name == "t2")
    assert subjects.taken([tmp_path], False) == [(tmp_path, n) for n in ("t1", "t3", "t4")]
    assert subjects.taken([tmp_path], True) == [(tmp_path, "t3")]
    monkeypatch.setattr(subjects, "held_out", lambda name: True)
    with pytest.raises(PosewallError, match="held out"):
        subjects.taken([tmp_path], False)
