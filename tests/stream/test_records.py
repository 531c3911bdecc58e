"""Records of one kind: found by id or number, in order, damaged ones told from the rest."""

from __future__ import annotations

import json
import logging
import re
import shutil
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from stream.errors import UserError
from stream.event import Event
from stream.records import Records

IDS = ("r9-aa", "r10-aa", "r10-ab")


class RollError(UserError):
    """One is not there, or damaged."""


@dataclass(frozen=True)
class Roll:
    """A record of a kind that the program has not."""

    id: str
    people: int

    @classmethod
    def read(cls, data: Mapping[str, Any]) -> Roll:
        try:
            return cls(data["id"], int(data["people"]))
        except (KeyError, ValueError) as e:
            raise RollError(f"damaged ({e})") from e


def rolls(always: bool) -> Records[Roll]:
    return Records(
        kind="roll",
        folder=lambda event: event.paths.root / "rolls",
        file="roll.json",
        ids_form=re.compile(r"r\d+-[a-z]{2}"),
        before="r",
        read=Roll.read,
        error=RollError,
        ids_said="look into rolls/",
        always=always,
    )


ROLLS = rolls(always=True)


@pytest.fixture
def event(tmp_path: Path) -> Event:
    made = Event.create(tmp_path / "event", "Rolls")
    for n, name in enumerate(IDS):
        put(made, name, {"id": name, "people": n})
    (made.paths.root / "rolls" / "notes").mkdir()
    return made


def put(event: Event, name: str, data: object) -> Path:
    path = event.paths.root / "rolls" / name / "roll.json"
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(json.dumps(data), "utf-8")
    return path


def test_they_are_in_the_order_of_their_numbers(event: Event) -> None:
    assert ROLLS.ids(event) == list(IDS)
    assert [r.people for r in ROLLS.each(event)] == [0, 1, 2]


@pytest.mark.parametrize("text", ["9", " R9 ", "009", "r9-aa"])
def test_one_is_found_by_id_or_number(event: Event, text: str) -> None:
    assert ROLLS.find(event, text) == Roll("r9-aa", 0)


def test_the_first_of_one_number_is_taken(event: Event) -> None:
    assert ROLLS.find(event, "10").id == "r10-aa"


@pytest.mark.parametrize("text", ["8", "", "²", "-9", "r9-ab", "../rolls"])
def test_what_is_not_there_is_told_with_what_is(event: Event, text: str) -> None:
    said = f"there is no roll '{text}' (the event has r9-aa to r10-ab); give a roll's number."
    with pytest.raises(RollError) as error:
        ROLLS.find(event, text)
    assert str(error.value) == said


@pytest.mark.parametrize("name", ["r9", "../r9-aa", "r9-aa/.", "R9-AA"])
def test_what_is_no_id_leads_to_no_file(event: Event, name: str) -> None:
    with pytest.raises(RollError, match=r"is no roll's id; look into rolls/\."):
        ROLLS.load(event, name)


@pytest.mark.parametrize(
    ("data", "told"),
    [
        ([], "is no roll's record; put it back from a copy"),
        ({"id": "r10-aa"}, "damaged"),
        ({"id": "r9-aa", "people": 3}, "is the record of roll r9-aa"),
    ],
)
def test_a_damaged_one_is_told_and_left_out(
    event: Event, data: object, told: str, caplog: pytest.LogCaptureFixture
) -> None:
    put(event, "r10-aa", data)
    with pytest.raises(RollError, match=told):
        ROLLS.load(event, "r10-aa")
    with caplog.at_level(logging.ERROR, "posewall.roll"):
        assert [r.id for r in ROLLS.each(event)] == ["r9-aa", "r10-ab"]
    assert told in caplog.text
    whole, unread = ROLLS.readable(event)
    assert (list(whole), unread) == (["r9-aa", "r10-ab"], ("r10-aa",))


def test_a_record_that_is_no_text_or_gone(event: Event) -> None:
    path = event.paths.root / "rolls" / "r9-aa" / "roll.json"
    path.write_bytes(b"\xff\xfe{")
    with pytest.raises(RollError, match=r"cannot be read .* put it back from a copy"):
        ROLLS.load(event, "r9-aa")
    path.unlink()
    with pytest.raises(RollError, match="there is no roll r9-aa in "):
        ROLLS.load(event, "r9-aa")


def test_a_folder_that_is_gone(event: Event) -> None:
    """None are kept where it may be missing; elsewhere nobody may take that for none."""
    shutil.rmtree(event.paths.root / "rolls")
    assert rolls(always=False).ids(event) == []
    with pytest.raises(FileNotFoundError):
        ROLLS.ids(event)
