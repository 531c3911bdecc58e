"""Who is in the next shots, and that the live picture writes what the print will write."""

from __future__ import annotations

import argparse
from dataclasses import replace
from pathlib import Path

import pytest

from stream.batch.render import text_fields
from stream.errors import UserError
from stream.event import Event
from stream.live import commands
from stream.live.people import MOST_FOUND, MOST_PEOPLE, chosen, found, texts
from tests.stream.live.evening import make_event
from tests.stream.live.test_tether import shot


@pytest.fixture
def event(tmp_path: Path) -> Event:
    return make_event(tmp_path)


@pytest.mark.parametrize("numbers", [(), ("007",), ("007", "012"), ("31", "007", "012")])
def test_stage_and_print_write_the_same(event: Event, numbers: tuple[str, ...]) -> None:
    lines = event.paths.roster.read_text("utf-8").splitlines()
    towns = ["city", "Brightwater", "", "Saltmarsh"]
    table = "\n".join(f"{line},{town}" for line, town in zip(lines, towns, strict=True))
    event.paths.roster.write_text(table + "\n", "utf-8")
    people = chosen(event, numbers)
    stage = texts(people)
    assert stage == text_fields(event, replace(shot("0001-000000"), people=numbers))
    expect = {(): None, ("007",): "Brightwater", ("007", "012"): "Brightwater"}
    assert stage.get("city") == expect.get(numbers, "Saltmarsh, Brightwater")


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


@pytest.mark.parametrize("text", ["abc", "70000", "-1", ""])
def test_a_port_that_is_none_is_refused_with_a_sentence(
    text: str, capsys: pytest.CaptureFixture[str]
) -> None:
    parser = argparse.ArgumentParser()
    commands.add_commands(parser.add_subparsers())
    with pytest.raises(SystemExit):
        parser.parse_args(["live", "--event", "e", "--source", "s", f"--port={text}"])
    assert f"got {text}; need 1024 to 65535, or 0 for any free one" in capsys.readouterr().err
