"""Who is in the next shots, and that the live picture writes what the print will write."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from stream.batch.render import text_fields
from stream.errors import UserError
from stream.event import Event
from stream.live import commands
from stream.live.people import MOST_FOUND, MOST_PEOPLE, chosen, found, texts
from stream.pages.serve import DEFAULT_PORT
from tests.stream.live.evening import make_event
from tests.stream.live.test_tether import shot


@pytest.fixture
def event(tmp_path: Path) -> Event:
    return make_event(tmp_path)


@pytest.mark.parametrize("numbers", [(), ("007",), ("007", "012"), ("31", "007", "012")])
def test_stage_and_print_write_the_same(event: Event, numbers: tuple[str, ...]) -> None:
    people = chosen(event, numbers)
    assert texts(people) == text_fields(event, replace(shot("0001-000000"), people=numbers))


def test_each_person_once_in_order(event: Event) -> None:
    assert [p.number for p in chosen(event, ["31", "mira", "007", "7"])] == ["31", "007"]


def test_who_is_meant_must_be_clear(event: Event) -> None:
    for words in (["nobody such"], ["0"], ["7"] * (MOST_PEOPLE + 1)):
        with pytest.raises(UserError):
            chosen(event, words)


def test_a_person_added_during_the_evening_is_found(event: Event) -> None:
    assert found(event, "walk-in") == []
    with event.paths.roster.open("a", encoding="utf-8") as file:
        file.write("99,Walk-In Person,\n")
    assert [p["number"] for p in found(event, "walk-in")] == ["99"]
    with event.paths.roster.open("a", encoding="utf-8") as file:
        file.writelines(f"{n},Herd Member,\n" for n in range(200, 240))
    assert len(found(event, "herd")) == MOST_FOUND


def test_the_commands_name_the_port_of_the_pages() -> None:
    assert commands.DEFAULT_PORT == DEFAULT_PORT  # it stands twice, so that commands load fast
