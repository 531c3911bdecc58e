"""One person goes out of the lists; every other byte and cell stays.

What is left of a text file is compared with the same list written without the person.
"""

from __future__ import annotations

import codecs
import zipfile
from pathlib import Path

import openpyxl
import pytest
from openpyxl.comments import Comment
from openpyxl.styles import Font

from stream.event import Event
from stream.layout import EventPaths
from stream.people import RosterError
from stream.people.removal import remove_person, without_person

BEFORE = "Verein Süd, Liste\n\nnumber;name;note\n7;Mira Tállow;\n"
GONE = '08;"Åsa ""Bo"" Öberg";"two\nlines; one cell"\n'
AFTER = '9;Jon Fénwick;"also\ntwo"\n\n010;Ana Roe;last'


def event_with(tmp: Path, name: str, data: bytes, config: str = "") -> EventPaths:
    (tmp / "event.toml").write_text(f'name = "Walk"\n{config}', "utf-8")
    (tmp / name).write_bytes(data)
    return Event.open(tmp).paths


@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
@pytest.mark.parametrize(
    ("encoding", "mark"),
    [
        ("utf-8", b""),
        ("utf-8", codecs.BOM_UTF8),
        ("utf-16-le", codecs.BOM_UTF16_LE),
        ("utf-16-be", codecs.BOM_UTF16_BE),
        ("utf-16-le", b""),
        ("utf-32-le", codecs.BOM_UTF32_LE),
        ("cp1252", b""),
        ("mac_roman", b""),
    ],
)
def test_a_line_goes_and_every_other_byte_stays(
    tmp_path: Path, encoding: str, mark: bytes, end: str
) -> None:
    def written(text: str) -> bytes:
        return mark + text.replace("\n", end).encode(encoding)

    paths = event_with(tmp_path, "roster.csv", written(BEFORE + GONE + AFTER))
    if encoding in ("cp1252", "mac_roman"):
        # Half of a list in one of these reads as the other: the user says which.
        config = f'name = "Walk"\n[roster]\nencoding = "{encoding}"\n'
        paths.config.write_text(config, "utf-8")
    assert remove_person(paths, "08") == (paths.roster,)
    assert paths.roster.read_bytes() == written(BEFORE + AFTER)
    assert [p.number for p in Event.open(tmp_path).roster] == ["7", "9", "010"]
    assert remove_person(paths, "08") == ()
    assert remove_person(paths, "010") == (paths.roster,)
    assert paths.roster.read_bytes() == written(BEFORE + AFTER.replace("010;Ana Roe;last", ""))


@pytest.mark.parametrize(
    ("encoding", "names"),
    [
        ("cp932", ("山田太郎", "鈴木表子", "佐藤能")),
        ("gb18030", ("王小明", "李雷", "張偉")),
        ("cp1251", ("Иван Лис", "Анна Ёж", "Олег Щука")),
    ],
)
def test_letters_of_several_bytes(tmp_path: Path, encoding: str, names: tuple[str, ...]) -> None:
    lines = ["number,name\n", *(f"{n},{name}\n" for n, name in enumerate(names, 1))]
    config = f'[roster]\nencoding = "{encoding}"\n'
    paths = event_with(tmp_path, "roster.csv", "".join(lines).encode(encoding), config)
    remove_person(paths, "2")
    assert paths.roster.read_bytes() == "".join(lines[:2] + lines[3:]).encode(encoding)


def test_a_stated_delimiter_and_a_list_without_titles(tmp_path: Path) -> None:
    paths = event_with(tmp_path, "roster.csv", b"sep=|\nnumber|name\n1|Ana\n2|Bo\n")
    remove_person(paths, "1")
    assert paths.roster.read_bytes() == b"sep=|\nnumber|name\n2|Bo\n"
    config = '[roster]\nnumber = "column 1"\nname = "column 2"\n'
    data = codecs.BOM_UTF8 + b"1,Ana\n2,Bo\n"
    paths.config.write_text(f'name = "Walk"\n{config}', "utf-8")
    paths.roster.write_bytes(data)
    remove_person(paths, "1")
    assert paths.roster.read_bytes() == codecs.BOM_UTF8 + b"2,Bo\n"


def test_orders_and_kept_numbers_go_too(tmp_path: Path) -> None:
    roster = b"name,group\nAna,A\nBo,B\nAna,A\nCy,C\n"
    paths = event_with(tmp_path, "roster.csv", roster)
    paths.orders.write_bytes(b"Number;Copies\n2;1\n3;4\n02;5\n")
    assert [p.number for p in Event.open(tmp_path).roster] == ["1", "2", "3", "4"]
    assert remove_person(paths, "2") == (paths.orders, paths.numbers, paths.roster)
    assert paths.orders.read_bytes() == b"Number;Copies\n3;4\n"
    assert paths.numbers.read_bytes() == b"number,name,group\n1,Ana,A\n3,Ana,A\n4,Cy,C\n"
    assert paths.roster.read_bytes() == b"name,group\nAna,A\nAna,A\nCy,C\n"
    # Of two with one name and group the other keeps the number.
    remove_person(paths, "3")
    assert [(p.number, p.name) for p in Event.open(tmp_path).roster] == [("1", "Ana"), ("4", "Cy")]


def test_a_workbook_keeps_every_other_cell(tmp_path: Path) -> None:
    book = openpyxl.Workbook()
    page = book.active
    assert page is not None
    page.title = "Players"
    page.merge_cells("A1:C1")
    page["A1"] = "Harbour cup"
    for row in (
        ("number", "name", "team"),
        (7, "Mira", "Red"),
        (8, "Åsa", "Red"),
        (9, "Jon", "Blue"),
    ):
        page.append(row)
    page["A5"].number_format = "000"
    page["B5"].font = Font(bold=True)
    page["B4"].comment = Comment("Åsa's mother calls", "office")
    page["B5"].comment = Comment("comes late", "office")
    page.auto_filter.ref = "A2:C5"
    page.column_dimensions["B"].width = 33
    book.create_sheet("Fees").append(("Red", 12.5))
    book.save(tmp_path / "roster.xlsx")
    paths = event_with(tmp_path, "roster.xlsx", (tmp_path / "roster.xlsx").read_bytes())
    assert remove_person(paths, "8") == (paths.roster,)
    now = openpyxl.load_workbook(paths.roster)
    page = now["Players"]
    assert [[c.value for c in row] for row in page.iter_rows(min_row=2)] == [
        ["number", "name", "team"],
        [7, "Mira", "Red"],
        [None, None, None],
        [9, "Jon", "Blue"],
    ]
    assert page["A5"].number_format == "000"
    assert page["B5"].font.bold
    assert page["B5"].comment.text == "comes late"
    assert page["B4"].comment is None
    assert page.auto_filter.ref == "A2:C5"
    assert page.column_dimensions["B"].width == 33
    assert [str(r) for r in page.merged_cells.ranges] == ["A1:C1"]
    assert now["Fees"]["B1"].value == 12.5
    with zipfile.ZipFile(paths.roster) as archive:
        assert not any("Åsa".encode() in archive.read(n) for n in archive.namelist())
    assert [p.number for p in Event.open(tmp_path).roster] == ["7", "009"]


def test_a_workbook_that_would_lose_something_is_left(tmp_path: Path) -> None:
    book = openpyxl.Workbook()
    page = book.active
    assert page is not None
    for row in (("number", "name"), (1, "Mira"), (2, "Jon"), (None, '="Total "&COUNT(A2:A3)')):
        page.append(row)
    book.save(tmp_path / "roster.xlsx")
    paths = event_with(tmp_path, "roster.xlsx", (tmp_path / "roster.xlsx").read_bytes())
    before = paths.roster.read_bytes()
    paths.orders.write_bytes(b"number,copies\n1,2\n")
    with pytest.raises(RosterError, match=r"roster.xlsx: .* formulas; delete the line with"):
        remove_person(paths, "1")
    assert paths.roster.read_bytes() == before
    assert paths.orders.read_bytes() == b"number,copies\n1,2\n"


def test_an_event_without_lists(tmp_path: Path) -> None:
    (tmp_path / "event.toml").write_text('name = "Walk"\n', "utf-8")
    assert without_person(Event.open(tmp_path).paths, "1") == {}
