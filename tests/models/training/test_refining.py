"""The whole training, small: it ends in weights that the Keyer takes, and says how it went."""

from __future__ import annotations

import json
import sys
from pathlib import Path

import pytest
import torch
from safetensors.torch import load_file

from models.keyer import Grade
from models.refine import like
from models.training import refining
from models.training.chances import USUAL
from models.training.refining import Run, Training, wishes
from tests.models.training.test_samples import write_subject

KEPT_OUT = "t1012"
"""Its name's check sum says so."""


def test_every_subject_is_wished_for_as_often() -> None:
    found = [(Path("a"), f"t{i}") for i in range(7)]
    made = wishes(found, 70, 2, seed=1)
    assert len({w.seed for w in made}) == 70
    assert all(sum(w.who == one for w in made) == 10 for one in found)
    assert {w.crops for w in made if w.grade is Grade.LIVE} == {1}
    assert 2 < sum(w.grade is Grade.LIVE for w in made) < 35
    assert made == wishes(found, 70, 2, seed=1)


def test_it_trains_and_writes_weights_with_their_course(tmp_path: Path) -> None:
    write_subject(tmp_path)
    found, out = [(tmp_path, "t1")], tmp_path / "out"
    run = Run(shots=6, steps=12, minutes=5, batch=2, processes=1)
    told = Training(found, found, USUAL, run, torch.device("cpu"), out)()
    net = like(load_file(out / "refine.safetensors"))
    assert all(bool(p.isfinite().all()) for p in net.parameters())
    assert (out / "refine.safetensors").stat().st_size < 2e6
    assert json.loads((out / "refine.json").read_text()) == told
    last = told["course"][-1]
    assert last["step"] == 12
    assert last["crops"] >= 2
    assert 0 < last["after"] < 1
    assert not told["recorded"]


def test_the_command_keeps_subjects_out(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    for name in ("t1", "t2", "t3", KEPT_OUT):
        for end in ("_a.png", "_f.jpg", "_n.jpg"):
            (tmp_path / f"{name}{end}").touch()
    seen = []
    monkeypatch.setattr(refining.Training, "__init__", lambda _, *told: seen.append(told))
    monkeypatch.setattr(refining.Training, "__call__", lambda _: {})
    out = str(tmp_path / "out")
    for more in ([], ["--every-other"], ["--without", "dyed", "beside"]):
        monkeypatch.setattr(sys, "argv", ["refining", str(tmp_path), "--out", out, *more])
        assert refining.main() == 0
    names = [[n for _, n in told[0]] for told in seen]
    assert names == [["t1", "t2", "t3"], ["t2"], ["t1", "t2", "t3"]]
    assert [[n for _, n in told[1]] for told in seen] == [[KEPT_OUT]] * 3
    assert seen[2][2].dyed == seen[2][2].beside == 0
    assert seen[0][2] == USUAL
