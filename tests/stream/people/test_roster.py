"""The roster as spreadsheets write it, and what is said of one that cannot be used."""

from __future__ import annotations

from pathlib import Path

import pytest

from stream.errors import UserError
from stream.people import Person, Roster, RosterError, folded

PEOPLE = [("1", "Mira Tallow", "Otters"), ("2", "Åsa Öberg", "Herons")]


def written(tmp: Path, text: str, encoding: str = "utf-8") -> Path:
    path = tmp / "list.csv"
    path.write_bytes(text.encode(encoding))
    return path


def rows(roster: Roster) -> list[tuple[str, str, str]]:
    return [(p.number, p.name, p.group) for p in roster]


@pytest.mark.parametrize("delimiter", [",", ";", "\t"])
# The encodings that spreadsheets save CSV in; cp1252 is Windows' western code page.
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "cp1252", "utf-16"])
@pytest.mark.parametrize("newline", ["\n", "\r\n"])
def test_every_delimiter_and_encoding(
    tmp_path: Path, delimiter: str, encoding: str, newline: str
) -> None:
    lines = [("number", "name", "group"), *PEOPLE]
    text = newline.join(delimiter.join(line) for line in lines) + newline
    assert rows(Roster.load(written(tmp_path, text, encoding))) == PEOPLE


@pytest.mark.parametrize(
    "header",
    ["No.,Full Name,Class", "NUMBER,Participant,Team", "id,guest,table", "#, name ,Group:"],
)
def test_usual_header_spellings(tmp_path: Path, header: str) -> None:
    text = f"{header}\n1,Mira Tallow,Otters\n2,Åsa Öberg,Herons\n"
    assert rows(Roster.load(written(tmp_path, text))) == PEOPLE


def test_first_and_last_name_are_joined_and_order_of_columns_is_free(tmp_path: Path) -> None:
    text = "Class;Surname;First name;Card\nOtters;Tallow;Mira;1\nHerons;Öberg;Åsa;2\n"
    assert rows(Roster.load(written(tmp_path, text))) == PEOPLE


def test_group_may_be_missing_and_other_columns_are_kept_for_templates(tmp_path: Path) -> None:
    roster = Roster.load(written(tmp_path, "number,name,Boat\n007,Mira,Tern\n"))
    person = roster.people[0]
    assert (person.number, person.group) == ("007", "")
    assert person.fields["boat"] == "Tern"


def test_quotes_empty_lines_and_spaces(tmp_path: Path) -> None:
    text = '\nnumber,name,group\n\n1,"Tallow,  Mira ""Mo""",Otters\n ,,\n'
    assert rows(Roster.load(written(tmp_path, text))) == [("1", 'Tallow, Mira "Mo"', "Otters")]


def test_names_are_brought_to_nfc(tmp_path: Path) -> None:
    # Unicode Annex 15: U+0041 U+030A composes to U+00C5.
    roster = Roster.load(written(tmp_path, "number,name\n1,A\u030asa\n"))
    assert roster.people[0].name == "\u00c5sa"


def test_wrong_columns_name_what_came_and_what_was_needed(tmp_path: Path) -> None:
    with pytest.raises(RosterError) as caught:
        Roster.load(written(tmp_path, "age,shoe size\n9,34\n"))
    sentence = str(caught.value)
    for part in ("'age'", "'shoe size'", "number", "name", "group"):
        assert part in sentence


def test_duplicates_are_named_with_their_lines(tmp_path: Path) -> None:
    text = "number,name\n1,Mira\n2,Jon\n1,Åsa\n"
    with pytest.raises(RosterError, match=r"1 \(lines 2, 4\)"):
        Roster.load(written(tmp_path, text))


def test_missing_cells_are_named_with_their_line(tmp_path: Path) -> None:
    with pytest.raises(RosterError, match="line 3"):
        Roster.load(written(tmp_path, "number,name\n1,Mira\n,Jon\n"))


@pytest.mark.parametrize("data", [b"\x89PNG\r\n\x1a\n\x00\x00\x00\x0d", b"", b"\x00" * 64])
def test_what_is_no_text_is_refused_in_a_sentence(tmp_path: Path, data: bytes) -> None:
    path = tmp_path / "list.csv"
    path.write_bytes(data)
    with pytest.raises(RosterError):
        Roster.load(path)
    with pytest.raises(RosterError, match="cannot be opened"):
        Roster.load(tmp_path / "nowhere.csv")


ROSTER = Roster(
    [Person("1", "Mira Tallow"), Person("12", "Jon Fenwick"), Person("21", "Åsa Miranda Öberg")]
)


@pytest.mark.parametrize(
    ("text", "numbers"),
    [
        ("1", ["1", "12", "21"]),
        ("01", ["1"]),
        ("mira", ["1", "21"]),
        ("OBERG", ["21"]),
        ("enwi", ["12"]),
        ("  jon   fenwick ", ["12"]),
        ("", []),
        ("zz", []),
    ],
)
def test_find_by_part_of_name_or_number(text: str, numbers: list[str]) -> None:
    assert [p.number for p in ROSTER.find(text)] == numbers


def test_one_person_or_a_sentence() -> None:
    assert ROSTER.one("1").number == "1"
    assert ROSTER.one("fenwick").number == "12"
    with pytest.raises(UserError, match="fits 2 people"):
        ROSTER.one("mira")
    with pytest.raises(UserError, match="nobody"):
        ROSTER.one("zz")


@pytest.mark.parametrize("text", ["2", "randa", "enwi", "tte"])
def test_a_part_that_fits_by_chance_means_nobody(text: str) -> None:
    roster = Roster([Person("1", "Mira Tallow"), Person("21", "Ada Miranda Fenwick", "Otters")])
    assert [p.number for p in roster.find(text)] == ["21"]
    with pytest.raises(UserError, match="if 21 Ada Miranda Fenwick is meant"):
        roster.one(text)


def test_folding_drops_case_and_accents() -> None:
    assert folded("  ÅSA\tÖberg ") == "asa oberg"
    assert folded("Łucja Søren Straße Đan") == "lucja soren strasse dan"


def test_groups_are_found_after_names() -> None:
    roster = Roster(
        [Person("1", "Mira Tallow", "Otters"), Person("2", "Ott Reed", "Reed Boats"),
         Person("3", "Ada Reed", "Otters")]
    )  # fmt: skip
    assert [p.number for p in roster.find("ott")] == ["2", "1", "3"]
    assert [p.number for p in roster.find("reed boats")] == ["2"]
    assert [p.number for p in roster.find("re ad")] == ["3"]
    assert roster.one("reed boats").number == "2"
