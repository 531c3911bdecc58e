"""XLSX (ECMA-376): cells as they are seen, the right sheet, and nothing hostile opened."""

from __future__ import annotations

import datetime
import io
import zipfile
from pathlib import Path
from typing import Any

import openpyxl
import pytest

from stream.people import Reading, Roster, RosterError
from tests.stream.people.lists import as_workbook

HEAD = ["No.", "Name", "Class"]


def load(tmp: Path, data: bytes, wanted: Reading | None = None) -> Roster:
    # The name does not matter, the content does.
    path = tmp / "list.csv"
    path.write_bytes(data)
    return Roster.load(path, wanted)


def test_cells_as_they_are_seen(tmp_path: Path) -> None:
    book = openpyxl.Workbook()
    sheet = book.active
    sheet.append(["Lake school"])
    sheet.append([])
    sheet.append([*HEAD, "Born", "Seen", "Paid", "Share"])
    day, seen = datetime.date(2015, 4, 1), datetime.datetime.fromisoformat("2026-05-03T09:30")
    sheet.append([7, "Mira", 12.0, day, seen, True, 0.5])
    sheet.append([103.0, "Jon", "12.0", None, datetime.time(9, 5), False, -2])
    sheet.append(["007a", " Ada  Reed ", None, "=1/0", "#N/A", None, 1e20])
    sheet["A4"].number_format = "0000"
    sheet["E6"].data_type = "e"
    out = io.BytesIO()
    book.save(out)
    roster = load(tmp_path, out.getvalue())
    assert [(p.number, p.name, p.group) for p in roster] == [
        ("0007", "Mira", "12"),
        ("103", "Jon", "12.0"),
        ("007a", "Ada Reed", ""),
    ]
    shown = [[p.fields[c] for c in ("born", "seen", "paid", "share")] for p in roster]
    assert shown[0] == ["2015-04-01", "2026-05-03 09:30", "TRUE", "0.5"]
    assert shown[1] == ["", "09:05", "FALSE", "-2"]
    assert shown[2][:3] == ["", "", ""]
    assert any("formulas" in n for n in roster.notes)


def test_flags_are_not_guessed_where_results_are_missing_or_errors(tmp_path: Path) -> None:
    path = tmp_path / "list.xlsx"
    rows: list[list[Any]] = [["number", "name", "no name"], [1, "Mira", "#N/A"], [2, "Jon", ""]]
    path.write_bytes(as_workbook({"Lake": rows}))
    roster = Roster.load(path)
    assert [p.no_name for p in roster] == [True, False]
    assert len(roster.doubts) == 1
    path.write_bytes(as_workbook({"Lake": [*rows, [3, "Ada", '=IF(A4=3,"x","")']]}))
    with pytest.raises(RosterError, match=r"formulas whose results .*'no name'"):
        Roster.load(path)


# By hand after ECMA-376 Part 1 (18.3.1 and the example in 18.2), independent of the library.
MAIN = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
REL = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"
PACKAGE = "http://schemas.openxmlformats.org/package/2006"
SHEET = (
    f'<worksheet xmlns="{MAIN}"><sheetData><row r="2">'
    '<c r="A2" t="inlineStr"><is><t>number</t></is></c>'
    '<c r="C2" t="inlineStr"><is><t>name</t></is></c></row>'
    '<row r="5"><c r="A5"><v>103</v></c><c r="C5" t="str"><f>B1</f><v>Mira &amp; Co</v></c></row>'
    "</sheetData></worksheet>"
)


def by_hand(sheet: str | bytes = SHEET, **more: bytes) -> bytes:
    parts: dict[str, str | bytes] = {
        "[Content_Types].xml": f'<Types xmlns="{PACKAGE}/content-types">'
        '<Default Extension="rels" '
        'ContentType="application/vnd.openxmlformats-package.relationships+xml"/>'
        '<Override PartName="/xl/workbook.xml" ContentType="application/vnd.openxmlformats-'
        'officedocument.spreadsheetml.sheet.main+xml"/>'
        '<Override PartName="/xl/worksheets/s.xml" ContentType="application/vnd.openxmlformats-'
        'officedocument.spreadsheetml.worksheet+xml"/></Types>',
        "_rels/.rels": f'<Relationships xmlns="{PACKAGE}/relationships"><Relationship Id="r1" '
        f'Type="{REL}/officeDocument" Target="xl/workbook.xml"/></Relationships>',
        "xl/workbook.xml": f'<workbook xmlns="{MAIN}" xmlns:r="{REL}"><sheets>'
        '<sheet name="People" sheetId="1" r:id="r1"/></sheets></workbook>',
        "xl/_rels/workbook.xml.rels": f'<Relationships xmlns="{PACKAGE}/relationships">'
        f'<Relationship Id="r1" Type="{REL}/worksheet" Target="worksheets/s.xml"/>'
        "</Relationships>",
        "xl/worksheets/s.xml": sheet,
        **more,
    }
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, text in parts.items():
            archive.writestr(name, text)
    return out.getvalue()


def test_a_workbook_written_by_hand_after_the_standard(tmp_path: Path) -> None:
    roster = load(tmp_path, by_hand())
    assert [(p.number, p.name) for p in roster] == [("103", "Mira & Co")]
    assert roster.source.sheet == "People"
    assert roster.notes == ()


def test_the_sheet_that_fits_or_the_one_that_is_named(tmp_path: Path) -> None:
    data = as_workbook(
        {
            "Notes": [["Call before noon"]],
            "U12": [HEAD, [1, "Mira", "b"]],
            "U14": [HEAD, [2, "Jon", "c"]],
        }
    )
    roster = load(tmp_path, data)
    assert [p.name for p in roster] == ["Mira"]
    assert any("'U12' is read, not 'Notes', 'U14'" in n for n in roster.notes)
    assert [p.name for p in load(tmp_path, data, Reading(sheet="u14"))] == ["Jon"]
    with pytest.raises(RosterError, match=r"no sheet 'U16' .*'U12'"):
        load(tmp_path, data, Reading(sheet="U16"))


def test_hidden_sheets_are_not_taken_by_themselves(tmp_path: Path) -> None:
    book = openpyxl.load_workbook(
        io.BytesIO(as_workbook({"Old": [HEAD, [1, "Mira", "b"]], "New": [HEAD, [2, "Jon", ""]]}))
    )
    book["Old"].sheet_state = "hidden"
    out = io.BytesIO()
    book.save(out)
    assert [p.name for p in load(tmp_path, out.getvalue())] == ["Jon"]


# Billion laughs and an external entity (OWASP, XML External Entity Prevention Cheat Sheet).
LAUGHS = '<!DOCTYPE x [<!ENTITY a "ha"><!ENTITY b "&a;&a;&a;&a;">]>'
OUTSIDE = '<!DOCTYPE x [<!ENTITY a SYSTEM "file:///etc/hostname">]>'


@pytest.mark.parametrize("declared", [LAUGHS, OUTSIDE, "<!DOCTYPE x>"])
@pytest.mark.parametrize("encoding", ["utf-8", "utf-16"])
def test_entities_are_refused(tmp_path: Path, declared: str, encoding: str) -> None:
    head = f'<?xml version="1.0" encoding="{encoding}"?>'
    with pytest.raises(RosterError, match="entities"):
        load(tmp_path, by_hand(f"{head}{declared}{SHEET}".encode(encoding)))


def test_bombs_are_refused_before_they_are_unpacked(tmp_path: Path) -> None:
    bomb = by_hand(SHEET.replace("</sheetData>", " " * 40_000_000 + "</sheetData>"))
    assert len(bomb) < 100_000
    with pytest.raises(RosterError, match="far more"):
        load(tmp_path, bomb)
    cells = SHEET.replace("</sheetData>", "<row>" + "<c/>" * 1_000_000 + "</row></sheetData>")
    with pytest.raises(RosterError, match="far more"):
        load(tmp_path, by_hand(cells))
    with pytest.raises(RosterError, match="far more"):
        load(tmp_path, by_hand(**{f"p{i}.bin": b"" for i in range(2001)}))


def test_a_size_that_lies_is_noticed(tmp_path: Path) -> None:
    data = bytearray(by_hand(SHEET.replace("</sheetData>", " " * 1_000_000 + "</sheetData>")))
    at = data.rindex(b"xl/worksheets/s.xml") - 46
    assert data[at : at + 4] == b"PK\x01\x02"
    # APPNOTE 4.3.12: the uncompressed size in the central directory.
    data[at + 24 : at + 28] = (500).to_bytes(4, "little")
    with pytest.raises(RosterError, match="damaged"):
        load(tmp_path, bytes(data))


def test_far_away_cells_take_no_time(tmp_path: Path) -> None:
    far = SHEET.replace(
        "</sheetData>", '<row r="1048576"><c r="XFD1048576"><v>1</v></c></row></sheetData>'
    )
    assert len(load(tmp_path, by_hand(far))) == 1


@pytest.mark.parametrize(
    ("data", "word"),
    [
        (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + b"\0" * 500, "password"),
        (b"%PDF-1.7\n", "PDF"),
        (b"<html><table><tr><td>number</td></tr></table>", "web page"),
        (b"PK\x03\x04" + b"\0" * 100, "damaged"),
    ],
)
def test_other_files_are_named(tmp_path: Path, data: bytes, word: str) -> None:
    with pytest.raises(RosterError, match=word):
        load(tmp_path, data)


def test_an_open_document_is_named(tmp_path: Path) -> None:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as archive:
        # ODF 1.3 part 2, 3.3: the first entry, stored.
        archive.writestr("mimetype", "application/vnd.oasis.opendocument.spreadsheet")
    with pytest.raises(RosterError, match="OpenDocument"):
        load(tmp_path, out.getvalue())
