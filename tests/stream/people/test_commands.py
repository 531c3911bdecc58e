"""`roster map`, `check` and `find`, and `event new` with a roster, as they are typed."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from stream.cli import main
from tests.stream.batch.scenario import make_template

ROSTER = (
    "Lake league;;;;\n"
    "Jersey No;Who;Team;Order;No name\n"
    "7;Łucja Brzozówka;Wydry;pier x2;\n"
    "8;花 Sedge;Otters;;\n"
    "9;Maximiliana Theodora Wetherington-Saltmarsh-Underwater of the Very Upper Lake;Otters;;\n"
    "10;Tomáš 山;Otters;poster;yes\n"
)


@pytest.fixture
def event(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Path:
    pier = make_template(tmp_path / "pier")
    given = tmp_path / "given.csv"
    given.write_text(ROSTER, "utf-8")
    folder = tmp_path / "lake"
    words = ["event", "new", str(folder), "--name", "Lake", "--template", str(pier)]
    assert main([*words, "--roster", str(given)]) == 2
    assert 'name="Pupil"' in capsys.readouterr().err
    assert not folder.exists()
    assert main([*words, "--roster", str(given), "--map", "name=Who"]) == 0
    assert "4 people" in capsys.readouterr().out
    return folder


def test_check_says_how_it_is_read_and_what_to_look_at(
    event: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["roster", "check", "--event", str(event)]) == 1
    told = capsys.readouterr().out
    for part in (
        "4 people in 2 groups.",
        "encoding UTF-8, columns parted by semicolon",
        "number: 'Jersey No'",
        "name: 'Who'",
        "Orders: 2 prints for 1 person.",
        "Name not shown: 1 person (10).",
        "'poster' is not understood",
        "templates: pier",
        "8 花 Sedge",
        "花",
        "9 Maximiliana",
        "does not fit",
    ):
        assert part in told
    assert "山" not in told, "a name that is not shown needs no letters"
    assert "7 Łucja" not in told, "nothing is wrong with it"


def test_check_as_json(event: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["roster", "check", "--event", str(event), "--json"]) == 1
    told = json.loads(capsys.readouterr().out)
    assert [p["number"] for p in told["people"]] == ["7", "8", "9", "10"]
    assert told["people"][0]["orders"] == [{"template": "pier", "size": None, "copies": 2}]
    assert {f["number"] for f in told["names_to_look_at"]} == {"8", "9"}
    assert told["source"]["titles"]["number"] == "Jersey No"


def test_check_of_a_roster_with_nothing_to_say(
    event: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (event / "roster.csv").write_text("number,who\n1,Mira\n", "utf-8")
    assert main(["roster", "check", "--event", str(event)]) == 0
    assert "Every name has its letters and fits in pier." in capsys.readouterr().out


def test_a_guess_shows_its_letters(event: Path, capsys: pytest.CaptureFixture[str]) -> None:
    text = "number;who\n1;Łucja Brzozówka\n2;Ada Reed\n".encode("cp1250")
    (event / "roster.csv").write_bytes(text)
    assert main(["roster", "check", "--event", str(event)]) == 0
    told = capsys.readouterr().out
    assert "Windows-1250 is a guess" in told
    assert "Are these letters right?\n  Łucja Brzozówka\n" in told
    assert main(["roster", "check", "--event", str(event), "--encoding", "cp1252"]) == 0
    told = capsys.readouterr().out
    assert "£ucja" not in told
    assert "guess" not in told


def test_map_keeps_what_can_be_read(event: Path, capsys: pytest.CaptureFixture[str]) -> None:
    before = (event / "event.toml").read_bytes()
    assert main(["roster", "map", "--event", str(event), "group=Verein"]) == 2
    assert "'Verein' for group" in capsys.readouterr().err
    assert (event / "event.toml").read_bytes() == before
    assert main(["roster", "map", "--event", str(event), "group=Order", "order="]) == 0
    assert "group: 'Order'" in capsys.readouterr().out
    assert 'group = "Order"' in (event / "event.toml").read_text("utf-8")
    assert main(["roster", "find", "poster", "--event", str(event)]) == 0
    assert "Tomáš 山  |  poster" in capsys.readouterr().out
    assert main(["roster", "map", "--event", str(event), "group="]) == 0
    assert "group" not in (event / "event.toml").read_text("utf-8")


def test_find(event: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["roster", "find", "otters", "--event", str(event)]) == 0
    assert [line.split()[0] for line in capsys.readouterr().out.splitlines()] == ["8", "9", "10"]
    assert main(["roster", "find", "--event", str(event), "--json", "luc", "brz"]) == 0
    assert [p["number"] for p in json.loads(capsys.readouterr().out)] == ["7"]
    assert main(["roster", "find", "nobody", "--event", str(event)]) == 1
    assert "Nobody of 4 people" in capsys.readouterr().out


def test_without_a_roster(event: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (event / "roster.csv").unlink()
    for what in ("check", "map"):
        assert main(["roster", what, "--event", str(event)]) == 2
        assert "put it there first" in capsys.readouterr().err
