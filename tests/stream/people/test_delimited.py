"""CSV (RFC 4180) and its relatives, as they come."""

from __future__ import annotations

import csv
import io
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stream.people.columns import header_fit
from stream.people.delimited import read_delimited
from stream.people.encoding import Decoded
from stream.people.errors import RosterError
from stream.people.table import Table, clean

HEAD = ["number", "name", "group"]


def read(text: str) -> Table:
    return read_delimited(
        Decoded(text, "utf-8", False), Path("list.csv"), lambda r: header_fit(r, {})
    )


def cells(text: str) -> list[tuple[str, ...]]:
    return [row.cells for row in read(text).rows]


def test_the_example_of_the_rfc() -> None:
    # RFC 4180 section 2, rules 5 to 7: quoted fields, line breaks and doubled quotes in them.
    text = 'number,name\r\n"1","b CRLF\r\nbb"\r\n2,"b""bb"\r\n'
    assert cells(text) == [("number", "name"), ("1", "b CRLF bb"), ("2", 'b"bb')]


@pytest.mark.parametrize("delimiter", [",", ";", "\t", "|", "^", "~", ":", "\x1f", "¦"])
def test_every_delimiter(delimiter: str) -> None:
    lines = ["List of the lake league", "", delimiter.join(HEAD)]
    lines += [delimiter.join([str(n), "Tallow, Mira", "A-B"]) for n in range(3)]
    expect = [(str(n), "Tallow, Mira", "A-B") for n in range(3)]
    if delimiter == ",":
        lines = [line.replace("Tallow, Mira", '"Tallow, Mira"') for line in lines]
    assert cells("\n".join(lines))[-3:] == expect


def test_a_comma_in_every_name_does_not_part_lines_at_semicolons() -> None:
    text = "number;name\n1;Tallow, Mira, Jr, the first\n2;Venn, Jon, Sr, the last\n"
    assert cells(text)[1] == ("1", "Tallow, Mira, Jr, the first")


def test_the_delimiter_stated_in_the_first_line() -> None:
    table = read("sep=*\nnumber*name\n1*Mira\n")
    assert [(r.line, r.cells) for r in table.rows] == [(2, ("number", "name")), (3, ("1", "Mira"))]


@pytest.mark.parametrize("newline", ["\n", "\r\n", "\r"])
def test_lines_keep_their_numbers(newline: str) -> None:
    text = newline.join(["", "number,name", "", '1,"Mira', 'Tallow"', "2,Jon"])
    assert [r.line for r in read(text).rows] == [2, 4, 6]


def test_a_quotation_mark_that_is_not_closed_swallows_nobody() -> None:
    for text in (
        'number,name\n1,"Mira\n2,Jon\n3,Ada\n',
        'number,name\n1,"Mira\n2,Jon\n3,"Ada\n4,Bo\n',
        'number;name\n1;"Mira\n' + "2;Jon\n" * 60,
    ):
        with pytest.raises(RosterError, match="quotation mark in line 2"):
            read(text)
    assert cells('number,name\n1,Mira "Mo" Tallow\n2,5" Jon\n')[1:] == [
        ("1", 'Mira "Mo" Tallow'),
        ("2", '5" Jon'),
    ]


@given(
    st.lists(
        st.tuples(*(st.text(st.characters(exclude_categories=["Cs", "Cc"]), max_size=12),) * 3),
        max_size=8,
    ),
    st.sampled_from([",", ";", "\t", "|"]),
)
def test_what_the_csv_module_writes_comes_back(rows: list[tuple[str, ...]], delimiter: str) -> None:
    out = io.StringIO()
    writer = csv.writer(out, delimiter=delimiter, quoting=csv.QUOTE_ALL)
    writer.writerows([HEAD, *rows])
    expect = [tuple(clean(c) for c in row) for row in rows]
    assert cells(out.getvalue())[1:] == [row for row in expect if any(row)]


def test_bounds() -> None:
    with pytest.raises(RosterError, match="lines"):
        read("number,name\n" + "1,a\n" * 20_001)
    with pytest.raises(RosterError, match="columns"):
        read("number,name\n" + "x," * 300 + "x\n")
    with pytest.raises(RosterError, match="longer than"):
        read("number,name\n1," + "x" * 3000)
    with pytest.raises(RosterError, match="never ends"):
        read("number,name\n1," + "x" * 200_000)
    with pytest.raises(RosterError, match="too long"):
        read("number,name\n" + "\n" * 300_000)
