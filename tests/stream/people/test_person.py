"""The texts that people bring into a template, and names that are shown nowhere."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stream.people import Person, folded, texts

MIRA = Person("1", "Mira Tallow", "Otters", (("boat", "Tern"),), first="Mira", last="Tallow")
JON = Person("2", "Jon Fenwick", "Otters", (("boat", "Ray"),))
MORE = (
    ("boat", "Tern"),
    ("nickname", "Momo"),
    ("e-mail", "m@lake.example"),
    ("motto", "Go, MIRA!"),
    ("parent or guardian", "A. Person"),
)
HIDDEN = Person("3", "Mira Tallow", "Otters", MORE, no_name=True)


def test_one_person() -> None:
    assert texts([MIRA]) == {
        "number": "1", "name": "Mira Tallow", "names": "Mira Tallow", "first": "Mira",
        "last": "Tallow", "group": "Otters", "count": "1", "boat": "Tern",
    }  # fmt: skip
    assert texts([]) == {}


def test_several_people() -> None:
    told = texts([MIRA, JON])
    assert told["names"] == told["name"] == "Mira Tallow, Jon Fenwick"
    assert (told["first"], told["last"], told["count"]) == ("Mira, Jon", "Tallow, Fenwick", "2")
    assert (told["group"], told["boat"]) == ("Otters", "Tern, Ray")


def test_two_of_one_name_are_both_named() -> None:
    assert texts([JON, Person("9", "Jon Fenwick")])["names"] == "Jon Fenwick, Jon Fenwick"


def test_first_and_last_of_a_whole_name() -> None:
    parts = [(p.fields["first"], p.fields["last"]) for p in (
        Person("1", "Mira"), Person("2", "Mira van der Lake"), Person("3", "Tallow, Mira Ann"),
    )]  # fmt: skip
    assert parts == [("Mira", ""), ("Mira", "van der Lake"), ("Mira Ann", "Tallow")]


def test_a_hidden_name_stands_nowhere() -> None:
    told = texts([HIDDEN])
    shown = {k: v for k, v in told.items() if v}
    assert shown == {"number": "3", "group": "Otters", "count": "1", "boat": "Tern"}
    assert HIDDEN.shown_name == ""
    assert MIRA.shown_name == "Mira Tallow"


def test_a_hidden_name_leaves_no_gap_among_others() -> None:
    told = texts([MIRA, HIDDEN, JON])
    assert told["names"] == "Mira Tallow, Jon Fenwick"
    assert told["count"] == "3"
    assert texts([Person("4", "Jon Reed", "Family Reed", no_name=True)])["group"] == ""


@given(
    st.lists(st.sampled_from(["Mira", "Åsa", "Tallow", "O'Reed", "花子", "Ли-Мей"]), min_size=1),
    st.lists(st.tuples(st.sampled_from("abcd"), st.text(max_size=20)), max_size=4),
    st.integers(0, 3),
)
def test_no_word_of_a_hidden_name_is_left(
    words: list[str], more: list[tuple[str, str]], where: int
) -> None:
    name = " ".join(words)
    planted = (*more, ("abcd"[where], f"see {words[0].upper()}, there"))
    told = texts([Person("7", name, f"{words[-1]} team", planted, no_name=True)])
    for key, text in told.items():
        if key not in ("number", "count"):
            assert not {folded(w) for w in words} & set(folded(text).replace(",", " ").split())


@pytest.mark.parametrize(
    ("name", "text"),
    [
        ("Mira Tallow", "mtallow2014"),
        ("Mira Tallow", "tallow_m@lake"),
        ("Mira Tallow", "MiraT's mum"),
        ("山田太郎", "山田"),
        ("山田太郎", "太郎くん"),
        ("김민수", "민수네"),
    ],
)
def test_a_hidden_name_is_found_inside_other_words(name: str, text: str) -> None:
    told = texts([Person(text, name, text, (("remark", text),), no_name=True)])
    assert {v for k, v in told.items() if k != "count"} == {""}


@pytest.mark.parametrize("text", ["Otters", "4A", "Miramar", "川"])
def test_what_does_not_name_the_hidden_stays(text: str) -> None:
    told = texts([Person("7", "Ott Mi 山田", text, (("remark", text),), no_name=True)])
    assert (told["group"], told["remark"]) == (text, text)


def test_a_part_of_a_name_is_whole_words() -> None:
    def parts(name: str, **known: str) -> tuple[str, str]:
        fields = Person("1", name, **known).fields  # type: ignore[arg-type]
        return fields["first"], fields["last"]

    assert parts("Tallow Mira", first="Mira") == ("Mira", "Tallow")
    assert parts("Mira Tallow", last="Tallow") == ("Mira", "Tallow")
    # Not "anda Tallow".
    assert parts("Miranda Tallow", first="Mir") == ("Mir", "")
