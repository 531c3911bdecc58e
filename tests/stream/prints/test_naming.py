"""File names by pattern: safe whatever stands in the roster, never another picture's."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path, PureWindowsPath

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from stream.errors import UserError
from stream.file_name import safe_name
from stream.prints.naming import (
    FIELDS,
    USUAL,
    Pattern,
    dated,
    free_name,
    inside,
    same_place,
)

ANY = st.text(max_size=300) | st.sampled_from(
    [
        "",
        ".",
        "..",
        "../../x",
        "/etc/passwd",
        "C:\\x",
        "CON",
        "nul.txt",
        "a/b",
        "\u202egnp",
        "~",
        "-",
    ]
)
LITERAL = st.text(alphabet=" -_.()&äB", max_size=12)


@st.composite
def patterns(draw: st.DrawFn) -> str:
    """Patterns that can be used."""
    parts = []
    for _ in range(draw(st.integers(1, 3))):
        fields = draw(st.lists(st.sampled_from([*FIELDS, "team"]), min_size=1, max_size=5))
        parts.append("".join(draw(LITERAL) + f"{{{f}}}" for f in fields) + draw(LITERAL))
    return "/".join(parts)


# On a busy machine making the first examples alone takes a second.
@settings(deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(patterns(), st.dictionaries(st.sampled_from([*FIELDS, "team"]), ANY), st.integers(1, 99))
def test_a_name_never_leaves_its_folder(text: str, fields: dict[str, str], edition: int) -> None:
    name = Pattern.parse(text).name({"shot": "0007", **fields}, edition) + ".tif"
    parts = name.split("/")
    assert 1 <= len(parts) <= 3
    for part in parts:
        # POSIX.1-2017 NAME_MAX is 255 bytes; a number and a partial file's name still fit.
        assert 0 < len(part.encode()) <= 230
        # Windows' rules for naming files: reserved characters and names, how a name may end.
        assert not set(part) & set('<>:"/\\|?*\0')
        assert part not in (".", "..")
        assert part[-1] not in ". "
        assert part[0] not in ".~ "
        assert not PureWindowsPath(part).is_reserved()
        assert part.isprintable()
    folder = Path("pictures")
    assert inside(folder, name).is_relative_to(folder)


@settings(deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.integers(1, 99999), st.text(max_size=300), st.integers(1, 12))
def test_the_usual_pattern_is_number_people_and_edition(
    number: int, people: str, edition: int
) -> None:
    name = Pattern.parse(USUAL).name({"shot": f"{number:04d}", "people": people}, edition)
    who, which = safe_name(people), str(edition) if edition > 1 else ""
    assert name == "-".join(filter(None, (f"{number:04d}", who, which)))


@pytest.mark.parametrize(
    ("text", "fields", "want"),
    [
        ("{group}/{shot}-{people}", {"group": "Class 4b", "people": "Mia"}, "Class-4b/0007-Mia"),
        ("{group}/{shot}-{people}", {}, "0007"),
        ("{group}/{shot}", {"group": "../../x"}, "x/0007"),
        ("{people}", {}, "0007"),
        ("{people} ({number})", {"people": "Mia"}, "Mia"),
        ("{people} ({number})", {"people": "Mia", "number": "3"}, "Mia-(3)"),
        ("({number}) {people}", {"people": "Mia"}, "Mia"),
        ("{people} ({number}) {group}", {"people": "Mia", "group": "G"}, "Mia-G"),
        ("{shot}-{group}-{people}", {"people": "Mia"}, "0007-Mia"),
        ("{Team}_{SHOT}", {"team": "Red"}, "Red_0007"),
        ("prints/{shot}x{copies}", {"copies": "3"}, "prints/0007x3"),
        ("{a}{b}", {"a": "CO", "b": "N"}, "_CON"),
    ],
)
def test_by_hand(text: str, fields: dict[str, str], want: str) -> None:
    assert Pattern.parse(text).name({"shot": "0007", **fields}) == want


@pytest.mark.parametrize(
    "text",
    ["", "/", "{shot}/", "/{shot}", "a//{shot}", "../{shot}", "./{shot}", "fixed", "{}", "{shot",
     "shot}", "{{shot}}", "a\\{shot}", "a/b/c/{shot}", "{shot}/fixed"],
)  # fmt: skip
def test_patterns_that_name_nothing_are_refused(text: str) -> None:
    with pytest.raises(UserError, match="file_name is") as told:
        Pattern.parse(text)
    assert "\n" not in str(told.value)


def test_fields_are_checked_against_the_roster() -> None:
    pattern = Pattern.parse("{Team}/{shot}-{people}")
    assert pattern.fields == ("Team", "shot", "people")
    pattern.check(["Name", "TEAM"])
    with pytest.raises(UserError, match=r"there is no \{Team\}"):
        pattern.check(["name"])


def test_the_same_person_twice_gets_a_number() -> None:
    used: set[str] = set()
    made = []
    for _ in range(3):
        name = Pattern.parse("{people}").name({"shot": "1", "people": "Zoë"})
        free = free_name(name, ".jpg", lambda trial: same_place(trial) in used)
        used.add(same_place(free))
        made.append(free)
    assert made == ["Zoë.jpg", "Zoë-2.jpg", "Zoë-3.jpg"]
    # Some file systems know neither case nor how an accent is composed.
    assert same_place("ZOE\u0308.JPG") in used


def test_a_kept_name_leads_nowhere_else(tmp_path: Path) -> None:
    folder = tmp_path / "pictures"
    (folder / "a").mkdir(parents=True)
    assert inside(folder, "a/b.jpg") == folder / "a" / "b.jpg"
    bad = ("../x.jpg", "a/../../x", "/etc/x", "", "a//b", "a/./b", "a\\b", "C:x", "a\0b")
    for name in bad:
        with pytest.raises(UserError, match="no name of a picture"):
            inside(folder, name)
    (folder / "out").symlink_to(tmp_path)
    with pytest.raises(UserError, match="no name of a picture"):
        inside(folder, "out/x.jpg")


def test_a_date_sorts() -> None:
    assert dated(datetime(2026, 5, 31, tzinfo=UTC)) == "2026-05-31"


def test_long_words_and_names_leave_the_number_at_the_end() -> None:
    words = "Summer week at the lake with boats and lanterns "
    fields = {"people": "é" * 300, "group": "Otters" * 40}
    pattern = Pattern.parse(words + "{group} {people} {shot}")
    names = {pattern.name({**fields, "shot": shot}) for shot in ("0001", "0002")}
    assert {n[-4:] for n in names} == {"0001", "0002"}
    assert max(len(n.encode()) for n in names) <= 200
    with pytest.raises(UserError, match="own words take 104 bytes"):
        Pattern.parse("lake" * 26 + "{shot}")
