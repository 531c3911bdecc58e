"""The whole training, small: it ends in weights that the Keyer takes, and says how it went."""

from __future__ import annotations

import json
import sys
import time
from pathlib import Path

import pytest
import torch
from safetensors.torch import load_file, save_file

from models.errors import PosewallError
from models.keyer import Grade
from models.refine import like
from models.training import refining
from models.training.chances import USUAL
from models.training.crops import SIDE, TOTAL
from models.training.makers import Count
from models.training.refining import Run, Training, wishes
from tests.models.refining import refiner
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


def test_without_a_crop_to_validate_there_is_no_figure() -> None:
    nothing = torch.zeros(0, TOTAL, SIDE, SIDE, dtype=torch.float16)
    assert refining.judged(refiner(), nothing) == {}
    one = torch.zeros(1, TOTAL, SIDE, SIDE, dtype=torch.float16)
    assert set(refining.judged(refiner(), one)) == {"before", "after", "expected"}


def test_validation_has_seeds_of_its_own() -> None:
    found = [(Path("a"), "t1")]
    kept = {w.seed for w in wishes(found, 50, 1, 0, validation=True)}
    for seed in (0, 1, 75, 76, 77):
        assert kept.isdisjoint(w.seed for w in wishes(found, 50, 1, seed))


def test_shots_that_validate_do_not_come_first_and_come_for_certain(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(refining, "room", lambda _: 50)
    monkeypatch.setattr(refining, "_FIRST", 40)
    found, kept = [(tmp_path, "t1")], [(tmp_path, KEPT_OUT)]
    run = Run(shots=60, steps=1, minutes=1, batch=2)
    training = Training(found, kept, USUAL, run, torch.device("cpu"), tmp_path)
    order = [w.who[1] for w in training.order]
    assert order.count(KEPT_OUT) == 6
    first = order.index(KEPT_OUT)
    assert order[first : first + 6] == [KEPT_OUT] * 6
    assert 5 <= sum(w.crops for w in training.order[:first]) <= 30


def test_waiting_for_the_first_crops_ends_with_the_time(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    class Hanging:
        done = False
        count = Count(none=3)

        def __init__(self, *_: object) -> None: ...
        def __enter__(self) -> Hanging:
            return self

        def __exit__(self, *_: object) -> None: ...
        def taken(self, _: int) -> list[object]:
            return []

    monkeypatch.setattr(refining, "Makers", Hanging)
    run = Run(shots=4, steps=12, minutes=0.01, batch=2)
    training = Training([(tmp_path, "t1")], [], USUAL, run, torch.device("cpu"), tmp_path / "out")
    began = time.monotonic()
    with pytest.raises(PosewallError, match="3 shots showed no screen"):
        training()
    assert time.monotonic() - began < 20
    assert not (tmp_path / "out").exists()


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
    assert last["made"] >= 2
    assert last["validated"] == 1
    assert last["failed"] == 0
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


def test_it_is_taught_further_from_weights_with_what_it_is_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    write_subject(tmp_path)
    begun, seen = refiner(), []
    start = tmp_path / "start.safetensors"
    save_file(begun.state_dict(), start)
    monkeypatch.setattr(refining.Training, "__init__", lambda _, *told: seen.append(told))
    monkeypatch.setattr(refining.Training, "__call__", lambda _: {})
    words = ["refining", str(tmp_path), "--out", str(tmp_path / "out"), "--begin", str(start)]
    more = ["--rate", "3e-4", "--keep", "0.9", "--chance", "veiled=0.5"]
    monkeypatch.setattr(sys, "argv", [*words, *more])
    assert refining.main() == 0
    _, _, chances, run, _, _, begin = seen[0]
    assert (chances.veiled, run.rate, run.keep) == (0.5, 3e-4, 0.9)
    assert all(
        torch.equal(a, b) for a, b in zip(begin.parameters(), begun.parameters(), strict=True)
    )
    start.write_bytes(b"nothing")
    assert refining.main() == 1
    assert capsys.readouterr().err.startswith(f"--begin {start}: no weights of an edge network")


def test_a_training_begins_with_what_it_was_given(tmp_path: Path) -> None:
    write_subject(tmp_path)
    found, begun = [(tmp_path, "t1")], refiner()
    run = Run(shots=6, steps=1, minutes=5, batch=2, rate=0.0, processes=1)
    Training(found, found, USUAL, run, torch.device("cpu"), tmp_path / "out", begun)()
    got = load_file(tmp_path / "out" / "refine.safetensors")
    for name, weight in begun.state_dict().items():
        torch.testing.assert_close(got[name], weight, atol=0.05, rtol=0.05)


@pytest.mark.parametrize("folder", ["empty", "held"])
def test_subjects_that_teach_nothing_are_told_in_one_sentence(
    folder: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "empty").mkdir()
    (tmp_path / "held").mkdir()
    for end in ("_a.png", "_f.jpg", "_n.jpg"):
        (tmp_path / "held" / f"{KEPT_OUT}{end}").touch()
    out = tmp_path / "out"
    monkeypatch.setattr(sys, "argv", ["refining", str(tmp_path / folder), "--out", str(out)])
    assert refining.main() == 1
    said = capsys.readouterr().err
    assert said.count("\n") == 1
    assert "subject" in said
    assert not out.exists()
