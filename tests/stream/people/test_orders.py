"""Orders as people write them."""

from __future__ import annotations

import unicodedata

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stream.people import Order, Person, orders_of
from stream.people.orders import MOST_COPIES, read_copies, read_order, read_size
from stream.template.paper import PAPERS

NAMES = ("lantern-night", "harvest-paper", "Team sheet")
LANTERN, HARVEST = NAMES[:2]


@pytest.mark.parametrize(
    ("text", "orders"),
    [
        ("lantern-night 8x10 x2; harvest-paper 5x7", [(LANTERN, "8x10", 2), (HARVEST, "5x7", 1)]),
        ("2 x 6x8", [(None, "6x8", 2)]),
        ("2x 8x10", [(None, "8x10", 2)]),
        ("8 x 10 x 2", [(None, "8x10", 2)]),
        ("2 of 2x6", [(None, "2x6", 2)]),
        ("harvest paper 10 × 8 in ×3", [(HARVEST, "8x10", 3)]),
        ('8"x10" *2', [(None, "8x10", 2)]),
        ("3,5x5", [(None, "3.5x5", 1)]),
        ("8x10,5x7", [(None, "8x10", 1), (None, "5x7", 1)]),
        ("Team_Sheet A4 (2)", [("Team sheet", "a4", 2)]),
        ("100 x 150 mm, x3", [(None, "100x150mm", 1), (None, None, 3)]),
        ("a5 2 copies and LANTERN NIGHT", [(None, "a5", 2), (LANTERN, None, 1)]),
        ("5x7; 5x7 x2", [(None, "5x7", 3)]),
        ("5x7 x0", []),
        ("", []),
        (" ;;, ", []),
    ],
)
def test_what_is_understood(text: str, orders: list[tuple[str | None, str | None, int]]) -> None:
    assert read_order(text, NAMES) == (tuple(Order(*o) for o in orders), ())


@pytest.mark.parametrize(
    ("text", "part"),
    [
        ("poster x2", "at 'poster'"),
        ("lantern-night 8x11", "at '8x11'"),
        ("3", "neither a template nor a size"),
        ("5x7 8x10", "at '8x10'"),
        ("5x7 x999", "at most"),
        ("lantern-night harvest-paper", "at 'harvest-paper'"),
    ],
)
def test_what_is_not_is_told(text: str, part: str) -> None:
    orders, problems = read_order(f"{text}; a6", NAMES)
    assert orders == (Order(None, "a6", 1),), "the rest still counts"
    assert len(problems) == 1
    assert part in problems[0]


@given(
    st.lists(
        st.builds(
            Order,
            st.sampled_from([*NAMES, None]),
            st.sampled_from([*PAPERS, None]),
            st.integers(1, MOST_COPIES),
        ),
        max_size=5,
        unique_by=lambda o: (o.template, o.size),
    )
)
def test_what_an_order_says_of_itself_is_read_back(orders: list[Order]) -> None:
    assert read_order("; ".join(map(str, orders)), NAMES) == (tuple(orders), ())


@given(st.text(max_size=60), st.sampled_from([None, NAMES]))
def test_any_text_is_read_or_told(text: str, names: tuple[str, ...] | None) -> None:
    orders, problems = read_order(text, names)
    assert all(1 <= o.copies <= MOST_COPIES * len(text) for o in orders)
    assert all(isinstance(p, str) for p in problems)
    read_size(text)
    read_copies(text)


@pytest.mark.parametrize("text", ["²", "١٢", "٣x٤", "x²", "1e3", "-2", "2.5"])
def test_digits_of_other_kinds(text: str) -> None:
    copies = read_copies(text)
    assert copies is None or copies == int(unicodedata.normalize("NFKD", text).strip("x"))


def test_orders_of_several_people_are_added_up() -> None:
    mira = Person("1", "Mira", orders=(Order(LANTERN, "8x10", 2), Order(None, "5x7", 1)))
    jon = Person("2", "Jon", orders=(Order(LANTERN, "8x10", 1), Order(LANTERN, "5x7", 1)))
    assert orders_of([mira, jon, Person("3", "Ada")]) == (
        Order(LANTERN, "8x10", 3),
        Order(None, "5x7", 1),
        Order(LANTERN, "5x7", 1),
    )
    assert orders_of([]) == ()


@pytest.mark.parametrize("text", ["2 x 6 x 4", "class 2", "2 class", "class x 2"])
def test_what_may_mean_two_orders_is_asked_and_not_printed(text: str) -> None:
    orders, problems = read_order(text, ("class", "class-2", "2-class", "class-x-2"))
    assert orders == ()
    assert len(problems) == 1


def test_a_number_in_a_templates_name_is_no_copies() -> None:
    assert read_order("class 2", ("class-1", "class-2")) == ((Order("class-2"),), ())
    assert read_order("class x2", ("class", "class-2")) == ((Order("class", None, 2),), ())
