"""Processes that make crops tell what went wrong, and wait where too much lies there."""

from __future__ import annotations

import multiprocessing
import time
from pathlib import Path

import numpy as np
import pytest

from models.errors import PosewallError
from models.keyer import Grade
from models.training import makers
from models.training.chances import USUAL
from models.training.crops import Wish
from models.training.makers import Makers
from tests.models.training.test_samples import write_subject


def ended(at_work: Makers, seconds: float = 120) -> dict[int, int]:
    """Take until all is done: crops of each shot."""
    until, got = time.monotonic() + seconds, {}
    while not at_work.done and time.monotonic() < until:
        got.update({number: len(made) for number, made in at_work.taken(5)})
        time.sleep(0.02)
    got.update({number: len(made) for number, made in at_work.taken(1000)})
    return got


def test_what_failed_is_counted_and_told_once(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    write_subject(tmp_path)
    there = [Wish((tmp_path, "t1"), seed, Grade.LIVE, 1) for seed in range(3)]
    missing = [Wish((tmp_path, "gone"), seed, Grade.LIVE, 1) for seed in range(3)]
    chances = USUAL.without("drawn")
    with Makers([*missing, *there], chances, 1) as at_work:
        got = ended(at_work)
        assert at_work.done
        count = at_work.count
    assert count.failed == 3
    assert count.made + count.none == 3
    assert len(got) == count.made
    assert set(got) <= {3, 4, 5}
    said = capsys.readouterr().err
    assert said.count("could not be read") == 1
    assert "of gone: PosewallError in subjects.py" in said


def test_many_failures_end_it(tmp_path: Path) -> None:
    missing = [Wish((tmp_path, "gone"), seed, Grade.LIVE, 1) for seed in range(20)]
    with (
        Makers(missing, USUAL.without("drawn"), 1) as at_work,
        pytest.raises(PosewallError, match=r"6 of 6 shots failed.*could not be read"),
    ):
        ended(at_work)


def test_a_killed_process_holds_up_neither_the_others_nor_the_end(tmp_path: Path) -> None:
    write_subject(tmp_path)
    before = set(multiprocessing.active_children())
    with Makers([Wish((tmp_path, "t1"), s, Grade.LIVE, 1) for s in range(8)], USUAL, 2) as at_work:
        until = time.monotonic() + 120
        while not at_work.done and not at_work.count.made and time.monotonic() < until:
            time.sleep(0.01)
        next(iter(set(multiprocessing.active_children()) - before)).kill()
        ended_of = 0
        while ended_of < 7 and time.monotonic() < until:
            _, count = at_work.done, at_work.count
            ended_of = count.made + count.none + count.failed
            time.sleep(0.02)
    assert ended_of >= 7


def test_makers_wait_while_much_lies_there(tmp_path: Path) -> None:
    for number in range(makers.BACKLOG):
        (tmp_path / f"{number}.npy").touch()
    context = multiprocessing.get_context("spawn")
    waiting = context.Process(target=makers.wait_for_room, args=(tmp_path,))
    waiting.start()
    waiting.join(8)
    assert waiting.is_alive()
    (tmp_path / "0.npy").unlink()
    waiting.join(60)
    assert waiting.exitcode == 0


def test_crops_are_taken_once_and_not_more_than_asked(tmp_path: Path) -> None:
    with Makers([], USUAL, 1) as at_work:
        for number in range(4):
            np.save(at_work.folder / f"{number:06}.npy", np.full((1, 2), number, np.float16))
        assert [n for n, _ in at_work.taken(3)] == [0, 1, 2]
        assert [(n, float(x[0, 0])) for n, x in at_work.taken(3)] == [(3, 3.0)]
        assert at_work.done
    assert not at_work.folder.exists()
