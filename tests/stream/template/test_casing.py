"""Capitals and small letters."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stream.template.casing import set_case


@pytest.mark.parametrize(
    ("words", "case", "comes"),
    [
        ("Ana McBo", "as written", "Ana McBo"),
        # Unicode Standard, SpecialCasing.txt: sharp s; final sigma; the digraph U+01C6.
        ("Stra\u00dfe", "upper", "STRASSE"),
        ("\u039f\u0394\u039f\u03a3", "lower", "\u03bf\u03b4\u03bf\u03c2"),
        ("\u01c6ona", "title", "\u01c5ona"),
        ("anna-lena  o\u2019brin", "title", "Anna-Lena  O\u2019brin"),
        ("ANNA-LENA O'BRIN", "title", "Anna-Lena O'Brin"),
        ("ANNA'S", "title", "Anna's"),
        ("McBo de la Vrai", "title", "McBo De La Vrai"),
        ("(ana) 7b", "title", "(Ana) 7B"),
        ("\u05d0\u05d1 \u6c38", "title", "\u05d0\u05d1 \u6c38"),
        ("Ana", "small caps", "Ana"),
    ],
)
def test_cases(words: str, case: str, comes: str) -> None:
    assert set_case(words, case) == comes


@given(st.text(st.sampled_from("abzABZ '-\u0416\u0436\u03a9\u03c9\u05d0\u6c387"), max_size=12))
def test_a_title_differs_in_case_alone(words: str) -> None:
    title = set_case(words, "title")
    assert title.lower() == words.lower()
    assert all(not word[:1].islower() for word in title.split(" "))
