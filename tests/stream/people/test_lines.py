"""A list's lines as people: header, totals, what is missing, orders and flags."""

from __future__ import annotations

from pathlib import Path

import pytest

from stream.people import Order, Reading, Roster, RosterError
from stream.people.columns import read_mapping

TEMPLATES = ("lantern-night", "harvest-paper")


def load(
    tmp: Path, text: str, templates: tuple[str, ...] | None = TEMPLATES, **columns: str
) -> Roster:
    path = tmp / "list.csv"
    path.write_text(text, "utf-8")
    return Roster.load(path, Reading(columns), templates=templates)


def test_titles_above_totals_below_and_the_header_again(tmp_path: Path) -> None:
    roster = load(
        tmp_path,
        "Lake league;;\nPrinted on 3 May, group: all;;\n\nNumber;Name;Team\n1;Mira;Otters\n"
        ";;\nNumber;Name;Team\n2;Count Basil Sum;Herons\n;Total;2\nTotal players: 2;;\nSum;2;\n",
    )
    assert [p.name for p in roster] == ["Mira", "Count Basil Sum"]
    assert "lines 7, 9, 10, 11 passed over (totals or titles, no people)" in roster.notes
    assert load(tmp_path, "Name\nSum Ting\nTotal: 1\n").people[0].name == "Sum Ting"


def test_a_person_without_number_is_no_total(tmp_path: Path) -> None:
    with pytest.raises(RosterError, match="line 3 has no number"):
        load(tmp_path, "number,name\n1,Mira\n,Count Basil\n")


def test_everything_that_is_missing_or_twice_in_one_go(tmp_path: Path) -> None:
    text = "number,name\n1,Mira\n,Jon\n3,\n1,Ada\n,Bo\n4,Cy\n4,Di\n4,Ed\n"
    with pytest.raises(RosterError) as caught:
        load(tmp_path, text)
    for part in (
        "line 3 has no number",
        "line 4 has no name",
        "line 6",
        "1 (lines 2, 5)",
        "7, 8, 9",
    ):
        assert part in str(caught.value)
    # The log has no names, no cells.
    assert "Mira" not in caught.value.logged
    assert "5" in caught.value.logged


def test_mapped_columns(tmp_path: Path) -> None:
    text = "Jersey No;Who;Id\n7;Mira;a\n8;Jon;b\n"
    assert [p.number for p in load(tmp_path, text, number="jersey  no", name="WHO")] == ["7", "8"]
    assert [p.number for p in load(tmp_path, text, name="Who")] == ["a", "b"]
    with pytest.raises(RosterError, match=r"'Shirt' for number.*'Jersey No', 'Who', 'Id'"):
        load(tmp_path, text, name="Who", number="Shirt")
    with pytest.raises(RosterError, match="map"):
        load(tmp_path, text)


def test_a_list_without_titles_by_places(tmp_path: Path) -> None:
    roster = load(tmp_path, "7;Mira;x\n8;Jon;y\n", number="column 1", name="Column 2")
    assert [(p.number, p.name) for p in roster] == [("7", "Mira"), ("8", "Jon")]


def test_a_list_without_numbers_is_numbered_and_says_so(tmp_path: Path) -> None:
    roster = load(tmp_path, "Name\nMira\nJon\n")
    assert [p.number for p in roster] == ["1", "2"]
    assert roster.source.numbered
    assert any("no column of numbers" in n for n in roster.notes)


def test_orders_in_one_column_or_in_three(tmp_path: Path) -> None:
    roster = load(
        tmp_path,
        "number;name;order;template;size;copies\n"
        '1;Mira;"Lantern night 8x10 x2; 5x7";;;\n'
        "2;Jon;;harvest-paper;A5;3\n"
        '3;Ada;;"lantern-night, harvest-paper";8x10;"1,2"\n'
        "4;Bo;;;;\n"
        "5;Cy;5x7;;5x7;2\n"
        "6;Di;;;;0\n",
    )
    assert [p.orders for p in roster] == [
        (Order("lantern-night", "8x10", 2), Order(None, "5x7", 1)),
        (Order("harvest-paper", "a5", 3),),
        (Order("lantern-night", "8x10", 1), Order("harvest-paper", "8x10", 2)),
        (),
        (Order(None, "5x7", 2),),
        (),
    ]
    assert roster.doubts == ()


def test_orders_that_are_not_understood_stop_nobody(tmp_path: Path) -> None:
    roster = load(
        tmp_path,
        "number;name;template;size;copies\n1;Mira;poster;5x7;1\n2;Jon;;9x11;1\n3;Ada;;5x7;many\n"
        '4;Bo;lantern-night;"5x7,8x10";"1,2,3"\n5;Cy;lantern-night;5x7;400\n',
    )
    assert [p.orders for p in roster] == [()] * 5
    told = " ".join(roster.doubts)
    for part in (
        "line 2 (number 1)",
        "'poster'",
        "'9x11'",
        "'many'",
        "2 of size, 3 of copies",
        "400",
    ):
        assert part in told


def test_shirt_sizes_and_an_order_of_lines_are_no_orders(tmp_path: Path) -> None:
    roster = load(tmp_path, "number;name;size;order\n1;Mira;M;17\n2;Jon;XL;18\n")
    assert [p.orders for p in roster] == [(), ()]
    assert len(roster.doubts) == 0
    assert any("'size' names no print size (M, XL" in n for n in roster.notes)
    assert roster.people[0].fields["size"] == "M"
    # Where the user has said so, it is one, and what is in it is told.
    assert len(load(tmp_path, "number;name;size\n1;Mira;M\n", size="size").doubts) == 1


@pytest.mark.parametrize(
    ("text", "hidden", "doubtful"),
    [
        ("yes", True, False), ("Ja", True, False), ("TRUE", True, False), ("x", True, False),
        ("1", True, False), ("oui", True, False), ("да", True, False), ("はい", True, False),
        ("Sí", True, False), ("", False, False), ("no", False, False), ("Nein", False, False),
        ("0", False, False), ("nie", False, False), ("-", False, False), ("нет", False, False),
        ("maybe", True, True), ("ask mother", True, True), ("?", True, True),
    ],
)  # fmt: skip
def test_flags(tmp_path: Path, text: str, hidden: bool, doubtful: bool) -> None:
    roster = load(tmp_path, f"number,name,No name,No gallery\n1,Mira,{text},{text}\n")
    (person,) = roster
    assert (person.no_name, person.no_gallery) == (hidden, hidden)
    assert bool(roster.doubts) == doubtful


@pytest.mark.parametrize(
    ("text", "hidden"), [("yes", False), ("", True), ("no", True), ("hm", True)]
)
def test_consent_that_is_not_given_hides(tmp_path: Path, text: str, hidden: bool) -> None:
    (person,) = load(tmp_path, f"number,name,Name consent,Gallery consent\n1,Mira,{text},{text}\n")
    assert (person.no_name, person.no_gallery) == (hidden, hidden)


@pytest.mark.parametrize("word", ["number", "numbr=No", "=x", "size x=1"])
def test_a_mapping_that_is_none(word: str) -> None:
    with pytest.raises(RosterError, match="maps no column"):
        read_mapping([word])
    assert read_mapping(["No-Name=a=b", "name="]) == {"no_name": "a=b", "name": ""}


@pytest.mark.parametrize("table", [{"numbr": "x"}, {"number": 3}, {"number": " "}])
def test_a_table_in_event_toml_that_is_none(table: dict[str, object]) -> None:
    with pytest.raises(RosterError, match=r"event\.toml"):
        Reading.from_config(table)


@pytest.mark.parametrize(
    ("header", "line"),
    [
        ("Nr;Name;Vorname", "1;Tallow;Mira"),
        ("No;Prénom;Nom", "1;Mira;Tallow"),
        ("No;Nombre;Apellidos", "1;Mira;Tallow"),
        ("No;Cognome;Nome", "1;Tallow;Mira"),
        ("No;Name;First name", "1;Mira Tallow;Mira"),
        ("No;Name;First name;Last name", "1;Mira Tallow;Mira;Tallow"),
    ],
)
def test_a_name_beside_its_other_part(tmp_path: Path, header: str, line: str) -> None:
    roster = load(tmp_path, f"{header}\n{line}\n")
    (person,) = roster
    assert person.name == "Mira Tallow"
    assert (person.fields["first"], person.fields["last"]) == ("Mira", "Tallow")
    assert roster.source.titles.get("name", "Name") == "Name"


def test_columns_beside_an_order_fill_what_it_leaves_out_and_add_no_print(tmp_path: Path) -> None:
    roster = load(
        tmp_path,
        "number;name;order;size;copies\n"
        "1;Mira;8x10;;2\n"
        "2;Jon;lantern-night;8x10;3\n"
        '3;Ada;"8x10; 5x7";;"2; 1"\n'
        "4;Bo;8x10 x3;;2\n"
        "5;Cy;8x10;;many\n"
        "6;Di;8x10;;0\n",
    )
    assert [p.orders for p in roster] == [
        (Order(None, "8x10", 2),),
        (Order("lantern-night", "8x10", 3),),
        (Order(None, "8x10", 2), Order(None, "5x7", 1)),
        (),
        (),
        (),
    ]
    assert [d.split(":")[0] for d in roster.doubts] == [
        f"line {n} (number {n - 1})" for n in (5, 6)
    ]


def test_lines_of_one_cell_are_orders_of_their_own(tmp_path: Path) -> None:
    roster = load(tmp_path, 'number;name;order\n1;"Mira\nKoss";"8x10 x2\nlantern-night"\n')
    assert roster.people[0].name == "Mira Koss"
    assert roster.people[0].orders == (Order(None, "8x10", 2), Order("lantern-night", None, 1))


@pytest.mark.parametrize("error", ["#REF!", "#N/A"])
def test_a_flag_that_came_out_as_an_error_hides(tmp_path: Path, error: str) -> None:
    roster = load(tmp_path, f"number;name;no name;no gallery\n1;Mira;{error};\n2;Jon;;{error}\n")
    assert [(p.no_name, p.no_gallery) for p in roster] == [(True, False), (False, True)]
    assert len(roster.doubts) == 2


@pytest.mark.parametrize(
    "title", ["Photo consent", "May we publish?", "Privacy", "hide from web", "No photos", "Zgoda"]
)
def test_a_consent_that_is_not_read_is_told(tmp_path: Path, title: str) -> None:
    text = f"number;name;{title};boat\n1;Mira;no;Tern\n"
    (doubt,) = load(tmp_path, text).doubts
    assert f"'{title}'" in doubt
    mapped = load(tmp_path, text, name_consent=title)
    assert (mapped.doubts, mapped.people[0].no_name) == ((), True)


def test_the_words_of_the_program_are_read_as_titles(tmp_path: Path) -> None:
    roster = load(tmp_path, "№;name;No name shown;Not in galleries\n7;Mira;x;x\n")
    (mira,) = roster
    assert (mira.number, mira.no_name, mira.no_gallery, roster.doubts) == ("7", True, True, ())


def test_a_flag_mapped_to_a_column_that_is_not_there_is_told(tmp_path: Path) -> None:
    with pytest.raises(RosterError, match="no column 'column 5' for no_name"):
        load(tmp_path, "Mira;1\n", name="column 1", number="column 2", no_name="column 5")


def test_people_whose_names_begin_like_sums(tmp_path: Path) -> None:
    roster = load(tmp_path, "First name;Last name;Class\nSuma;Reddy;4A\nSum;;4A\nTotal;;2\n")
    assert [p.name for p in roster] == ["Suma Reddy", "Sum"]
    assert [p.name for p in load(tmp_path, "Name;Class\nSuma Reddy;4\n")] == ["Suma Reddy"]
