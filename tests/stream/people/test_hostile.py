"""Damaged and hostile rosters: a sentence or a right result, never a traceback or a hang."""

from __future__ import annotations

import io
import random
import resource
import zipfile
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stream.people import Reading, Roster, RosterError
from stream.people.flags import read_flag
from tests.stream.people.lists import NAMES, as_text, as_workbook, people

MUTANTS = 130
PLANTS = [b'"', b"\0", b"\xff\xfe", b";;;;", b"\r", b"=1+1", b"\x1b$"]


def outcome(path: Path, data: bytes, wanted: Reading | None = None) -> int | None:
    """How many people were read; None for a sentence."""
    path.write_bytes(data)
    try:
        roster = Roster.load(path, wanted, templates=("lantern-night",))
    except RosterError as e:
        told = str(e)
    else:
        told = ""
    if told:
        assert "\n" not in told
        assert len(told) < 4000
        return None
    assert len({p.number for p in roster}) == len(roster)
    assert all(p.number and p.name for p in roster)
    return len(roster)


def mutated(data: bytes, chance: random.Random) -> bytes:
    """Some bytes changed, cut out, doubled or put in."""
    out = bytearray(data)
    for _ in range(chance.randint(1, 6)):
        at = chance.randrange(len(out) + 1)
        kind = chance.randrange(5)
        if kind == 0 and at < len(out):
            out[at] = chance.randrange(256)
        elif kind == 1:
            del out[at : at + chance.randint(1, 30)]
        elif kind == 2:
            out[at:at] = out[at : at + chance.randint(1, 200)] * chance.randint(1, 20)
        elif kind == 3:
            out[at:at] = chance.choice(
                [b'"', b"\0", b"\xff\xfe", b";;;;", b"\r", b"=1+1", b"\x1b$"]
            )
        else:
            out = out[: max(1, at)]
    return bytes(out)


def test_mutated_text(tmp_path: Path) -> None:
    chance = random.Random(4)
    codes = list(NAMES)
    read = 0
    for n in range(MUTANTS):
        code = codes[n % len(codes)]
        text = as_text(people(code, 12, chance), chance.choice(",;\t|"))
        data = text.encode(code) if n % 3 else text.encode(chance.choice(["utf-8", "utf-16"]))
        read += outcome(tmp_path / "list.csv", mutated(data, chance)) is not None
    assert read > MUTANTS / 10, "small damage must not make every list unreadable"


def most_memory() -> int:
    """The most that this process has held so far, in kilobytes: getrusage(2) on Linux."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss


def test_mutated_workbooks(tmp_path: Path) -> None:
    before = most_memory()
    chance = random.Random(5)
    rows = [["number", "name", "group"], *people("cp1252", 12, chance)]
    whole = as_workbook({"Notes": [["x"]], "Lake": rows})
    refused = 0
    for n in range(MUTANTS):
        if n % 2:
            data = mutated(whole, chance)
        else:
            # Inside the package, so that the damage reaches the XML's reader.
            out = io.BytesIO()
            with zipfile.ZipFile(io.BytesIO(whole)) as old, zipfile.ZipFile(out, "w") as new:
                hit = chance.choice([p for p in old.namelist() if "docProps" not in p])
                for part in old.namelist():
                    inside = old.read(part)
                    new.writestr(part, mutated(inside, chance) if part == hit else inside)
            data = out.getvalue()
        refused += outcome(tmp_path / "list.xlsx", data) is None
    assert MUTANTS / 4 < refused < MUTANTS
    # Other tests of this process may have held more before.
    assert most_memory() <= max(before, 3_000_000)


@given(st.binary(max_size=400))
def test_any_bytes(tmp_path_factory: pytest.TempPathFactory, data: bytes) -> None:
    outcome(tmp_path_factory.getbasetemp() / "any.csv", data)
    outcome(tmp_path_factory.getbasetemp() / "any.csv", b"number;name\n1;Mira\n" + data)


CELL = st.text(max_size=12) | st.sampled_from(
    ['"', "7", "Total", "=1+1", "yes", "8x10 x2", "\u202e"]
)


@given(
    st.lists(st.lists(CELL, max_size=6), max_size=8),
    st.sampled_from([",", ";", "\t", "|"]),
    st.dictionaries(
        st.sampled_from(["number", "name", "order", "copies", "no_name"]),
        CELL | st.sampled_from(["column 1", "column 999", "column 0"]),
        max_size=3,
    ),
)
def test_any_text_and_mapping(
    tmp_path_factory: pytest.TempPathFactory,
    rows: list[list[str]],
    delimiter: str,
    columns: dict[str, str],
) -> None:
    text = "number,name,order,no name\n".replace(",", delimiter)
    text += "\n".join(delimiter.join(r) for r in rows)
    path = tmp_path_factory.getbasetemp() / "text.csv"
    outcome(path, text.encode("utf-8", "surrogatepass"), Reading(columns))


@given(st.text(max_size=20))
def test_any_flag(text: str) -> None:
    assert read_flag(text) in (True, False, None)


def test_a_name_cannot_break_out_of_a_line(tmp_path: Path) -> None:
    path = tmp_path / "list.csv"
    path.write_text('number,name\n1,"Mira\x1b[31m\u2028\tTallow\u200b"\n', "utf-8")
    assert Roster.load(path).people[0].name == "Mira [31m Tallow"
