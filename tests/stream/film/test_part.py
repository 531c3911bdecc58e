"""Which frame stands for a film."""

from __future__ import annotations

from fractions import Fraction

import pytest

from stream.film.part import poster_at
from stream.film.pictures import FilmPictures
from stream.film.rates import TimeLine
from tests.stream.film.planes import Stage


class Titles(Stage):
    """Words that are wholly there from a second on."""

    def standing(self, t_s: float) -> int:
        return int(t_s >= 1.0)


def line(shown: list[int | None]) -> TimeLine:
    return TimeLine(Fraction(10), 0.0, tuple(shown))


@pytest.mark.parametrize(
    ("best", "at"),
    [((3, 14), 14), ((14, 3), 14), ((17, 14), 17), ((3,), 10), ((), 10)],
    ids=["the words have not come", "the best", "the best of them", "the nearest", "no ranking"],
)
def test_a_poster_shows_the_words_that_come(best: tuple[int, ...], at: int) -> None:
    film = FilmPictures("wide", Titles(), [None], Fraction(10), 0)
    assert poster_at(line(list(range(20))), [film], best) == at


def test_who_is_still_fading_in_is_no_poster() -> None:
    film = FilmPictures("wide", Stage(fade_s=0.5), [None], Fraction(10), 0)
    assert poster_at(line(list(range(20))), [film], (2, 9)) == 9
