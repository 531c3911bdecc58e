"""`event retain`: shots of an age go, with the people who then have none."""

from __future__ import annotations

import argparse
from dataclasses import replace
from datetime import timedelta

import pytest

from stream.cli import build_parser
from stream.errors import UserError
from stream.event import Event
from stream.forgetting.commands import retain
from stream.shot import RECORD, load_shot, shot_ids
from tests.stream.batch.scenario import TAKEN
from tests.stream.forgetting.leaving import Left, hashes, run


def words(left: Left, *more: str) -> argparse.Namespace:
    return build_parser().parse_args(["event", "retain", "--event", str(left.folder), *more])


def aged(left: Left, days: dict[str, float]) -> Event:
    """The event with some shots taken days before the others."""
    event = Event.open(left.folder)
    for shot_id, age in days.items():
        shot = load_shot(event, shot_id)
        data = replace(shot, taken=shot.taken - timedelta(days=age)).to_bytes()
        (event.paths.shots / shot_id / RECORD).write_bytes(data)
    return event


NOW = TAKEN + timedelta(days=1)


def test_old_shots_go_and_young_ones_stay(left: Left, capsys: pytest.CaptureFixture[str]) -> None:
    event = aged(left, {left.other: 40, left.own: 29.5, left.laid: 40, left.hidden: 29.1})
    before = hashes(left.folder)
    assert retain(words(left, "--days", "30", "--yes"), NOW) == 0
    out = capsys.readouterr().out
    assert "4 of 8 shots are older than 30 days: 0004, 0005, 0006, 0008." in out
    assert "102 Fenwick, Jon" in out
    assert "103" not in out.split("Removed")[0], "who has younger shots stays"
    assert not {left.other, left.own, left.laid, left.hidden} & set(shot_ids(event))
    event = Event.open(left.folder)
    assert [p.number for p in event.roster] == ["101", "103"]
    log = event.paths.log.read_text("utf-8")
    assert left.other not in log
    assert "(people 102)" not in log
    now = hashes(left.folder)
    young = [p for p in before if p.startswith((f"shots/{left.alone}", f"shots/{left.group}"))]
    young += [f"pictures/{w.picture}" for w in load_shot(event, left.group).wanted]
    assert {p: now.get(p) for p in young} == {p: before[p] for p in young}
    assert load_shot(event, left.pair).beside == ()
    assert run("batch", "run", "--event", left.folder) == 0


def test_nothing_old_and_nothing_answered(
    left: Left, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    before = hashes(left.folder)
    assert retain(words(left, "--days", "30", "--yes"), NOW) == 0
    assert "No shot is older than 30 days" in capsys.readouterr().out
    aged(left, {left.other: 40})
    before = hashes(left.folder)
    with pytest.raises(UserError, match="say it with --yes"):
        retain(words(left, "--days", "30"), NOW)
    monkeypatch.setattr("sys.stdin.isatty", lambda: True, raising=False)
    monkeypatch.setattr("builtins.input", lambda _: "")
    assert retain(words(left, "--days", "30"), NOW) == 0
    assert hashes(left.folder) == before


@pytest.mark.parametrize("days", ["-1", "99999999999"])
def test_days_that_cannot_be(left: Left, capsys: pytest.CaptureFixture[str], days: str) -> None:
    assert run("event", "retain", "--days", days, "--event", left.folder) == 2
    assert f"--days is {days}" in capsys.readouterr().err
