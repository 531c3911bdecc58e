"""Where lines end."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from stream.template.breaking import broken


def ways(words: str, count: int) -> list[tuple[str, ...]]:
    return [way for kind in broken(words, count) for way in kind]


def test_spaces_come_before_hyphens() -> None:
    kinds = list(broken("Ana Bo-Ce", 2))
    assert kinds == [[("Ana", "Bo-Ce")], [("Ana", "Bo-Ce"), ("Ana Bo-", "Ce")]]
    assert ways("Ana", 2) == []
    assert ways("Ana-Bo", 2) == [("Ana-", "Bo")]
    assert ways("7-8", 2) == []


def test_ideographs_may_be_parted() -> None:
    """UAX #14: a line may end between two letters of class ID."""
    assert ways("\u6c38\u6797", 2) == [("\u6c38", "\u6797")]
    assert ways("\u6c38a", 2) == []


def test_three_lines_are_alike() -> None:
    (way,) = ways("aa bb cc dd ee ff gg hh ii", 3)
    assert way == ("aa bb cc", "dd ee ff", "gg hh ii")


@given(
    st.lists(st.text("ab\u6c38\u05d0-", min_size=1, max_size=9), min_size=1, max_size=300),
    st.integers(1, 5),
)
def test_no_letter_is_lost(parts: list[str], count: int) -> None:
    words = " ".join(parts)
    for way in ways(words, count):
        assert len(way) == count
        assert all(line and line == line.strip() for line in way)
        assert "".join(way).replace(" ", "") == words.replace(" ", "")
