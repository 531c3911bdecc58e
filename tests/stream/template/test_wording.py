"""[[text]]: what it may say, and how its mistakes are told."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stream.template.wording import Text, put_in, read_text

GOOD: dict[str, Any] = {"value": "{name}", "above": "frame", "box": [4, 8, 200, 80]}


def read(**said: Any) -> tuple[Text | None, list[str]]:
    problems: list[str] = []
    return read_text({**GOOD, **said}, "[[text]] 1", problems), problems


def test_everything_new() -> None:
    text, problems = read(
        size="fit",
        least=12,
        fallback=["fonts/a.ttf", "fonts/b.otf"],
        tracking=-20,
        case="title",
        lines=3,
        line_spacing=1.3,
        direction="rtl",
    )
    assert problems == []
    assert text is not None
    assert (text.size, text.least) == (None, 12)
    assert text.fonts == ("fonts/DejaVuSans.ttf", "fonts/a.ttf", "fonts/b.otf")
    assert (text.tracking, text.case, text.lines) == (-20, "title", 3)
    assert (text.line_spacing, text.direction) == (1.3, "rtl")


def test_what_need_not_be_said() -> None:
    text, problems = read()
    assert problems == []
    assert text is not None
    assert (text.size, text.least, text.lines) == (None, 20, 2)
    assert (text.tracking, text.case, text.direction) == (0, "as written", "auto")
    text, _ = read(size=40)
    assert text is not None
    assert text.least == 20


@pytest.mark.parametrize(
    ("said", "told"),
    [
        ({"size": "big"}, "size is 'big'; need a number, or \"fit\""),
        ({"size": [4]}, "size is [4]; need a number"),
        ({"size": float("nan")}, "size is nan; need a number from 1"),
        ({"size": 10**400}, "size is 1000"),
        ({"size": 1 << 99999}, "size is a number of thousands of digits; need a number from 1"),
        ({"box": [0, 0, 10**400, 5]}, "need [x, y, width, height]"),
        ({"size": 40, "least": 50}, "least is 50; need no more than size"),
        ({"size": "fit", "least": "small"}, "least is 'small'; need a number"),
        ({"fallback": "fonts/a.ttf"}, 'need a list such as ["one", "two"]'),
        ({"fallback": [3]}, "fallback is [3]; need a list"),
        ({"fallback": [""]}, "need a list"),
        ({"tracking": 9999}, "tracking is 9999; need a number from -200 to 2000"),
        ({"case": "Upper"}, "case is 'Upper'; need one of as written, upper"),
        ({"case": ["upper"]}, "need one of as written, upper"),
        ({"lines": 2.5}, "lines is 2.5; need a whole number from 1 to 20"),
        ({"lines": True}, "need a whole number from 1 to 20"),
        ({"lines": 0}, "need a whole number from 1 to 20"),
        ({"line_spacing": 0}, "line_spacing is 0; need a number from 0.7 to 5"),
        ({"direction": "left"}, "direction is 'left'; need one of auto, ltr, rtl"),
        ({"outline": {"width": 30}}, "width is 30; need at most a quarter of the box, which is 80"),
        ({"traking": 3}, 'no entry "traking"; did you mean "tracking"?'),
        ({"value": "{ }"}, "the name of a roster column between { and }"),
    ],
)
def test_mistakes_are_told(said: dict[str, Any], told: str) -> None:
    text, problems = read(**said)
    assert any(told in p for p in problems), problems
    assert text is None or "no entry" in told


_VALUES = st.recursive(
    st.booleans() | st.integers() | st.floats() | st.text(max_size=8),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=5), inner),
    max_leaves=6,
)


@given(st.dictionaries(st.sampled_from([*GOOD, *Text.__dataclass_fields__]), _VALUES))
def test_any_table_is_read_or_told(said: dict[str, Any]) -> None:
    text, problems = read(**said)
    assert text is not None or problems
    assert all(p.startswith("[[text]] 1") for p in problems)


@given(st.text("{}ab "), st.dictionaries(st.sampled_from(["a", "b", "a b"]), st.text("{}ab")))
def test_any_value_is_filled_in_once(value: str, fields: dict[str, str]) -> None:
    """What is put in is not looked at again."""
    marked = {k: "\u2770" + v + "\u2771" for k, v in fields.items()}
    out = put_in(value, marked)
    assert out.count("\u2770") == out.count("\u2771")
    if "{" not in value:
        assert out == value


def test_columns_are_put_in() -> None:
    assert put_in("{a}-{ b }-{c}", {"a": "{b}", "b": "x"}) == "{b}-x-"
