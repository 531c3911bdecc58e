"""A take's record: as it was written, or one sentence."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import UTC, datetime

import pytest

from stream.event import Event
from stream.take import (
    FilmWanted,
    Take,
    TakeError,
    find_take,
    load_take,
    rewrite_take,
    take_ids,
    takes,
)

UNIQUE = "3fa9c1" + "0" * 26


def keep(event: Event, number: int = 1, **changes: object) -> Take:
    take = Take(
        id=f"t{number:04d}-{UNIQUE[:6]}",
        number=number,
        unique=UNIQUE,
        begun=datetime(2026, 5, 31, 18, 4, 5, 123456, tzinfo=UTC),
        source="camera:0",
        file="take.mkv",
        recording=False,
        sound="microphone Desk",
        quarter_turns=1,
        mirror=True,
        people=("1", "02"),
        template="pier",
        template_version="0" * 16,
        plate=None,
        settings={"choke": 0.5},
        nudge={"x": 0.1},
        begin_s=2.5,
        end_s=9.0,
        films=(FilmWanted("wide", "0001-Mira-wide.mp4"), FilmWanted("tall", "a/0001-tall.mp4")),
        notes=("dark",),
        length_s=12.25,
        former_films=("0001-Mria-wide.mp4",),
    )
    take = replace(take, **changes)  # type: ignore[arg-type]
    (event.paths.takes / take.id).mkdir()
    return rewrite_take(event, take)


def test_a_take_comes_back_as_it_was_kept(event: Event) -> None:
    take = keep(event)
    fresh = Event.open(event.paths.root)
    assert load_take(fresh, take.id) == take
    assert take.job == "t0001-3fa9c1.1"
    assert [f.poster for f in take.films] == ["0001-Mira-wide.jpg", "a/0001-tall.jpg"]
    bare = keep(event, 2, end_s=None, length_s=None, films=(), recording=True)
    assert load_take(fresh, bare.id) == bare


def test_takes_are_found_by_number_and_id(event: Event) -> None:
    assert take_ids(event) == []
    with pytest.raises(TakeError, match="none yet"):
        find_take(event, "1")
    ids = [keep(event, n).id for n in (12, 2, 10000)]
    assert take_ids(event) == [ids[1], ids[0], ids[2]]
    assert find_take(event, "2") == find_take(event, " T0002 ") == find_take(event, ids[1])
    for text in ("3", "t", "", "²", "0002-3fa9c1"):
        with pytest.raises(TakeError, match="give a take's number"):
            find_take(event, text)


def test_a_damaged_record_hides_no_other(event: Event, caplog: pytest.LogCaptureFixture) -> None:
    good, bad = keep(event, 1), keep(event, 2)
    (event.paths.takes / bad.id / "take.json").write_text("{")
    assert list(takes(event)) == [good]
    assert bad.id in caplog.text


@pytest.mark.parametrize(
    "change",
    [
        {"file": "../../secret.mkv"},
        {"file": ""},
        {"file": "\\\\elsewhere\\take.mkv"},
        {"file": "a/take.mkv"},
        {"films": [{"shape": "wide", "film": "../b.mp4"}]},
        {"former_films": ["../b.mp4"]},
        {"films": [{"shape": "square", "film": "b.mp4"}]},
        {"films": [{"shape": "wide"}]},
        {"id": "0001-3fa9c1"},
        {"unique": "3fa9c1"},
        {"begun": "2026-05-31T18:00:00"},
        {"begun": None},
        {"settings": [1]},
        {"recording": "no"},
        {"quarter_turns": 4},
        {"begin_s": -1},
        {"begin_s": float("nan")},
        {"begin_s": 9.0},
        {"length_s": float("inf")},
        {"people": None},
    ],
)
def test_a_record_that_was_damaged_is_refused(event: Event, change: dict[str, object]) -> None:
    take = keep(event)
    path = event.paths.takes / take.id / "take.json"
    path.write_text(json.dumps({**json.loads(path.read_text("utf-8")), **change}), "utf-8")
    with pytest.raises(TakeError):
        load_take(event, take.id)


@pytest.mark.parametrize("text", ["", "[]", "{", "\x00"])
def test_a_record_that_is_none(event: Event, text: str) -> None:
    take = keep(event)
    (event.paths.takes / take.id / "take.json").write_text(text)
    with pytest.raises(TakeError):
        load_take(event, take.id)
    with pytest.raises(TakeError):
        load_take(event, "../" + take.id)


def test_a_record_of_another_take_is_refused(event: Event) -> None:
    take = keep(event)
    (event.paths.takes / take.id).rename(event.paths.takes / "t0009-3fa9c1")
    with pytest.raises(TakeError, match="must keep its name"):
        load_take(event, "t0009-3fa9c1")
