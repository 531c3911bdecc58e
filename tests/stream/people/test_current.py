"""An event's roster: which file, how it is read, kept numbers, orders in a file of their own."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from stream.config import EventConfig, EventError, with_roster
from stream.event import Event
from stream.people import Order, Reading, RosterError
from stream.shot import save_shot
from tests.stream.batch.scenario import SETTINGS, make_frame, make_template
from tests.stream.people.lists import as_workbook

BOOK: dict[str, list[list[Any]]] = {
    "Lake": [["Pupil", "Card"], ["Mira Tallow", 7], ["Jon Fenwick", 12]]
}


def make(
    tmp: Path, roster: bytes, reading: Reading | None = None, name: str = "given.csv"
) -> Event:
    given = tmp / name
    given.write_bytes(roster)
    return Event.create(tmp / "lake", "Lake", roster=given, reading=reading)


def people(event: Event) -> list[tuple[str, str]]:
    return [(p.number, p.name) for p in event.roster]


def test_a_workbook_is_kept_byte_for_byte(tmp_path: Path) -> None:
    data = as_workbook(BOOK)
    event = make(tmp_path, data, name="list.txt")
    assert event.paths.roster == event.paths.root / "roster.xlsx"
    assert event.paths.roster.read_bytes() == data
    assert people(event) == [("7", "Mira Tallow"), ("12", "Jon Fenwick")]


def test_two_rosters_are_refused(tmp_path: Path) -> None:
    event = make(tmp_path, as_workbook(BOOK))
    assert len(event.roster) == 2
    (event.paths.root / "roster.csv").write_text("number,name\n1,Ada\n", "utf-8")
    with pytest.raises(RosterError, match=r"roster\.csv and roster\.xlsx"):
        len(Event.open(event.paths.root).roster)
    assert len(event.roster) == 2, "one that was known before stays in use"
    assert "not sure which" in (event.roster_trouble or "")


def test_how_it_is_read_is_kept_and_may_change(tmp_path: Path) -> None:
    text = "Shirt;Pupil\n7;Łucja\n".encode("cp1250")
    event = make(tmp_path, text, Reading({"number": "Shirt"}, encoding="windows-1250"))
    assert people(event) == [("7", "Łucja")]
    again = Event.open(event.paths.root)
    assert again.config.roster == {"number": "Shirt", "encoding": "windows-1250"}
    config = event.paths.config.read_text("utf-8")
    event.paths.config.write_text(config.replace("windows-1250", "windows-1252"), "utf-8")
    assert people(event) == [("7", "£ucja")], "taken up by a program that runs"
    event.paths.config.write_text("nothing", "utf-8")
    assert people(event) == [("7", "£ucja")]
    assert "event.toml" in (event.roster_trouble or "")


def test_numbers_stay_with_their_people(tmp_path: Path) -> None:
    event = make(tmp_path, b"Pupil,Class\nMira,a\nJon,a\nMira,b\n")
    assert people(event) == [("1", "Mira"), ("2", "Jon"), ("3", "Mira")]
    event.paths.roster.write_bytes(b"Pupil,Class\nAda,a\nMira,b\nJon,c\nMira,a\n")
    expect = [("4", "Ada"), ("3", "Mira"), ("2", "Jon"), ("1", "Mira")]
    assert people(event) == expect
    assert people(Event.open(event.paths.root)) == expect, "in another program, too"
    event.paths.roster.write_bytes(b"Pupil,Class\nMira,b\n")
    assert people(event) == [("3", "Mira")]
    # Who comes back has the number back; nobody else gets it meanwhile.
    event.paths.roster.write_bytes(b"Pupil,Class\nBo,b\nJon,c\n")
    assert people(event) == [("5", "Bo"), ("2", "Jon")]


def test_names_that_only_an_accent_parts_are_not_exchanged(tmp_path: Path) -> None:
    event = make(tmp_path, "Pupil,Class\nMüller,a\nMuller,a\n".encode())
    assert people(event) == [("1", "Müller"), ("2", "Muller")]
    event.paths.roster.write_text("Pupil,Class\nMuller,a\nMüller,a\n", "utf-8")
    assert people(event) == [("2", "Muller"), ("1", "Müller")]
    event.paths.roster.write_text("Pupil,Class\nMuller,a\nMüllér,a\n", "utf-8")
    assert people(event) == [("2", "Muller"), ("1", "Müllér")], "a corrected accent"


def test_people_of_one_name_and_group_without_numbers_are_told(tmp_path: Path) -> None:
    event = make(tmp_path, b"Pupil,Class\nMira,a\nJon,a\nMira,a\nMira,b\n")
    (doubt,) = event.roster.doubts
    assert doubt.startswith("lines 2, 4 have the same name and group")


def test_a_corrected_name_gets_a_number_of_its_own(tmp_path: Path) -> None:
    """Better no name under a picture than a wrong one: two lines may have been exchanged."""
    event = make(tmp_path, b"Pupil\nMira\nJon\n")
    assert people(event) == [("1", "Mira"), ("2", "Jon")]
    event.paths.roster.write_bytes(b"Pupil\nMyra\nJon\n")
    assert people(event) == [("3", "Myra"), ("2", "Jon")]


@pytest.mark.parametrize(
    "kept", [b"", b"x", b"number,name,group\na,b,c\n", b"\xff\xfe", b"n\n1,a,\n1,b,\n"]
)
def test_numbers_that_cannot_be_read(tmp_path: Path, kept: bytes) -> None:
    event = make(tmp_path, b"Pupil\nMira\n")
    event.paths.numbers.write_bytes(kept)
    with pytest.raises(RosterError, match="roster-numbers"):
        len(Event.open(event.paths.root).roster)


def test_orders_in_a_file_of_their_own(tmp_path: Path) -> None:
    event = make(tmp_path, b"number,name,order\n07,Mira,a6 x9\n8,Jon,a5\n9,Ada,\n")
    event.paths.orders.write_text(
        "Orders of May;;;\nNumber;Template;Size;Copies\n7;;8x10;2\n7;;8x10;1\n9;;5x7;\n5;;5x7;1\n"
        "9;poster;;\n",
        "utf-8",
    )
    assert [p.orders for p in event.roster] == [
        (Order(None, "8x10", 3),),
        (Order(None, "a5", 1),),
        (Order(None, "5x7", 1),),
    ]
    told = " ".join(event.roster.doubts)
    assert "'5' is not on the roster" in told
    assert "'poster'" in told
    event.paths.orders.write_text("name,size\nMira,5x7\n", "utf-8")
    assert event.roster.people[0].orders == (Order(None, "8x10", 3),)
    assert "orders.csv needs" in (event.roster_trouble or "")


def test_orders_go_to_kept_numbers(tmp_path: Path) -> None:
    event = make(tmp_path, b"Pupil\nMira\nJon\n")
    assert len(event.roster) == 2
    event.paths.roster.write_bytes(b"Pupil\nJon\nMira\n")
    event.paths.orders.write_text("number,order\n1,5x7 x2\n", "utf-8")
    assert {p.name: len(p.orders) for p in event.roster} == {"Mira": 1, "Jon": 0}


def test_a_hidden_name_is_in_no_file_name(tmp_path: Path) -> None:
    event = make(tmp_path, b"number,name,no name\n1,Mira,\n2,Jon,yes\n3,Ada,no\n")
    make_template(event.paths.templates / "pier")

    def titled(*people: str) -> str:
        kept = save_shot(event, make_frame(), people=people, template="pier", settings=SETTINGS)
        return kept.picture

    assert titled("1", "2", "3") == "0001-Mira,-Ada.jpg"
    assert titled("2") == "0002.jpg"


TOML = '# ours\nname = "Lake"  # the name\n\n[key]\nchoke = 1\n'


@pytest.mark.parametrize(
    "before",
    [
        TOML,
        f'{TOML}\n[roster]\nnumber = "x"\n',
        TOML.replace("[key]", '[roster]\nsheet="[a]"\n\n[key]'),
    ],
)
def test_the_rest_of_event_toml_stays_as_it_was_written(tmp_path: Path, before: str) -> None:
    after = with_roster(before, {"name": 'The "kids"', "encoding": "cp1250"})
    for line in TOML.splitlines():
        assert line in after.splitlines()
    (tmp_path / "event.toml").write_text(after, "utf-8")
    config = EventConfig.load(tmp_path / "event.toml")
    assert config.roster == {"name": 'The "kids"', "encoding": "cp1250"}
    assert config.key == {"choke": 1}
    assert with_roster(after, config.roster) == after


def test_a_table_that_cannot_be_replaced_is_left(tmp_path: Path) -> None:
    with pytest.raises(EventError, match="text editor"):
        with_roster('name = "Lake"\nroster = {number = "x"}\n', {"number": "y"})
    path = tmp_path / "event.toml"
    path.write_text('name = "Lake"\nroster = 3\n', "utf-8")
    with pytest.raises(EventError, match="roster"):
        EventConfig.load(path)
