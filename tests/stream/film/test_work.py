"""The folder of a film in work: what counts, what is thrown away."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
import torch

from models.state import State
from stream.film.work import Kept, Work

PINS = {"job": "t0001-3fa9c1.1", "films": {"wide": {"threads": 2}}}
NAMES = ("tall", "wide")


def state(number: int) -> State:
    noise = torch.full((3,), float(number))
    return State({"steady.noise": noise}, {"clip.follows": True, "n": number})


def piece(work: Work, number: int) -> None:
    for name in NAMES:
        work.piece(name, number).write_bytes(f"{name} {number}".encode())
    work.finish(NAMES, number, state(number), {"keyed": 60 * number})


@pytest.fixture
def work(tmp_path: Path) -> Work:
    work = Work(tmp_path / "t0001-3fa9c1.1")
    work.begin(PINS, {"threads": 2})
    return work


def test_it_goes_on_after_the_last_piece(work: Work) -> None:
    assert work.kept(NAMES) == Kept()
    for number in range(3):
        piece(work, number)
    kept = Work(work.folder).kept(NAMES)
    assert kept.pieces == 3
    assert kept.told == {"keyed": 120}
    assert kept.state.facts == {"clip.follows": True, "n": 2}
    assert torch.equal(kept.state.tensors["steady.noise"], torch.full((3,), 2.0))
    # One state is kept, the last one.
    assert len(list(work.folder.glob("state-*"))) == 1


def test_a_piece_counts_when_its_state_is_there(work: Work) -> None:
    piece(work, 0)
    for name in NAMES:
        work.piece(name, 1).write_bytes(b"whole, but not counted")
    (work.folder / ".partial-abc").write_bytes(b"half")
    again = Work(work.folder)
    assert again.kept(NAMES).pieces == 1
    assert sorted(p.name for p in work.folder.iterdir()) == [
        "plan.json",
        "state-00000.safetensors",
        "tall-00000.mkv",
        "wide-00000.mkv",
    ]
    piece(again, 1)
    assert Work(work.folder).kept(NAMES).pieces == 2


@pytest.mark.parametrize("harm", ["gone", "changed", "state cut off", "state of zeros"])
def test_what_is_damaged_is_made_anew(work: Work, harm: str) -> None:
    piece(work, 0)
    piece(work, 1)
    kept = next(work.folder.glob("state-*"))
    match harm:
        case "gone":
            work.piece("wide", 0).unlink()
        case "changed":
            work.piece("tall", 1).write_bytes(b"tall 2")
        case "state cut off":
            kept.write_bytes(kept.read_bytes()[:-4])
        case _:
            kept.write_bytes(bytes(len(kept.read_bytes())))
    assert Work(work.folder).kept(NAMES) == Kept()
    assert [p.name for p in work.folder.iterdir()] == ["plan.json"]


def test_the_state_before_serves_where_the_last_was_lost(work: Work) -> None:
    """The process died after it had written a state and before it removed the one before."""
    piece(work, 0)
    first = next(work.folder.glob("state-*"))
    data = first.read_bytes()
    piece(work, 1)
    first.write_bytes(data)
    (work.folder / "state-00001.safetensors").write_bytes(data[: len(data) // 2])
    kept = Work(work.folder).kept(NAMES)
    assert kept.pieces == 1
    assert not work.piece("wide", 1).exists()


def test_other_pins_begin_anew(work: Work) -> None:
    piece(work, 0)
    assert Work(work.folder).plan(PINS) == {"threads": 2}
    assert Work(work.folder).kept(NAMES).pieces == 1
    other = json.loads(json.dumps(PINS))
    other["films"]["wide"]["threads"] = 3
    assert Work(work.folder).plan(other) is None
    assert not work.folder.exists()
    assert Work(work.folder).plan(PINS) is None


def test_a_damaged_plan_begins_anew(work: Work) -> None:
    (work.folder / "plan.json").write_text("{", "utf-8")
    assert Work(work.folder).plan(PINS) is None
    assert not work.folder.exists()


def test_what_is_done_leaves_the_plan(work: Work) -> None:
    part = work.part("wide+tall")
    part.poster("wide").write_bytes(b"jpeg")
    piece(part, 0)
    work.clear()
    assert [p.name for p in work.folder.iterdir()] == ["plan.json"]
    assert work.plan(PINS) == {"threads": 2}
