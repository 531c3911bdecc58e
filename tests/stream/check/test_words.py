"""From numbers to words: grades at their limits, places, lamps, and what is to be done."""

from __future__ import annotations

import math
import re
from dataclasses import replace
from functools import cache

import pytest
import torch
from torch import Tensor

from models.evenness import Place, Shadow
from models.screencheck import Report, measure
from models.surround import Reach, Side
from stream.check import limits
from stream.check.limits import Grade, Limit
from stream.check.words import CAUTION, Finding, headline, judge, named, remarks
from tests.models.screens import LIGHT, before, blob, grid, stopped, upright


@cache
def good() -> Report:
    """A person well before a well-lit screen."""
    report = measure(upright(before(LIGHT)))
    assert report is not None
    return report


def lit(stops: Tensor) -> Report:
    report = measure(upright(before(stopped(stops))))
    assert report is not None
    return report


def about(topic: str, report: Report) -> Finding:
    (found,) = [f for f in judge(report) if f.topic == topic]
    return found


def test_a_limit_grades() -> None:
    limit = Limit(0.5, 1.0)
    got = [limit.grade(x) for x in (0.0, 0.5, 0.51, 0.99, 1.0, 3.0)]
    want = [Grade.GOOD] * 2 + [Grade.BETTER] * 2 + [Grade.CHANGE] * 2
    assert got == want
    table = [x for x in vars(limits).values() if isinstance(x, Limit)]
    assert len(table) >= 10
    assert {x.basis for x in table} == {"common practice"}
    assert all(x.good < x.poor for x in table)


def test_a_good_screen_is_good_to_go() -> None:
    findings = judge(good())
    assert {f.grade for f in findings} == {Grade.GOOD}
    assert [f.advice for f in findings if f.advice] == []
    assert headline(good(), findings).startswith("Good to go (green screen, 8")
    said = remarks(good(), findings)
    assert CAUTION not in said
    assert "common practice" in said[-1]


@pytest.mark.parametrize(
    ("x", "y", "name"),
    [
        (0.1, 0.1, "upper left"),
        (0.5, 0.1, "top"),
        (0.9, 0.1, "upper right"),
        (0.1, 0.5, "left"),
        (0.5, 0.5, "centre"),
        (1.0, 0.5, "right"),
        (0.1, 1.0, "lower left"),
        (0.5, 0.9, "bottom"),
        (0.9, 0.9, "lower right"),
    ],
)
def test_places_have_names(x: float, y: float, name: str) -> None:
    assert named(Place(x, y, 0.0)) == name


@pytest.mark.parametrize(
    ("stops", "words"),
    [
        (0.75 - 1.5 * grid()[1], "Move the left lamp back"),
        (1.5 * grid()[1] - 0.75, "Move the right lamp back"),
        (0.75 - 1.5 * grid()[0], "Aim the lamps lower"),
        (1.5 * grid()[0] - 0.75, "Aim the lamps higher"),
        (1.6 * blob(0.5, 0.5, 0.3), "Move the lamps back and apart"),
        (-1.6 * blob(0.5, 0.5, 0.3), "Turn the lamps in"),
        (1.1 * blob(0.15, 0.9, 0.05), "upper right off it"),
    ],
)
def test_the_lamps_are_named_by_where_it_is_bright(stops: Tensor, words: str) -> None:
    report = measure(upright(stopped(stops)))
    assert report is not None
    found = about("Evenness", report)
    assert found.grade is not Grade.GOOD
    assert words in found.advice


def test_evenness_names_its_worst_places() -> None:
    found = about("Evenness", lit(-1.25 * blob(0.85, 0.12, 0.09)))
    assert found.grade is Grade.CHANGE
    assert "lower left is 1.2 stops darker than the middle value" in found.fact
    assert found.at is not None
    assert named(found.at) == "lower left"


@pytest.mark.parametrize(("stops", "times"), [(1.0, "1.4 times"), (2.0, "2.0 times")])
def test_a_lamp_moves_by_the_inverse_square_law(stops: float, times: str) -> None:
    """Twice the distance is a quarter of the light, two stops: the inverse-square law."""
    thirds = torch.tensor([[stops / 2, 0.0, -stops / 2]] * 3)
    report = replace(good(), spread=1.5, thirds=thirds)
    assert times in about("Evenness", report).advice


def test_distance_and_stops_of_a_lamp_are_one_change() -> None:
    """However uneven the screen is: the same light is lost by either."""
    for stops in (0.5, 1.0, 1.7, 2.0, 3.0, 4.5):
        thirds = torch.tensor([[stops / 2, 0.0, -stops / 2]] * 3)
        advice = about("Evenness", replace(good(), spread=5.0, thirds=thirds)).advice
        told = re.search(r"about ([\d.]+) times its distance, or turn it down by ([\d.]+)", advice)
        assert told is not None
        assert 2 * math.log2(float(told[1])) == pytest.approx(float(told[2]), abs=0.13)
        assert ("then check again" in advice) is (stops > 2)


@pytest.mark.parametrize(
    ("changed", "topic", "grade", "words"),
    [
        ({"level": 2.47}, "Exposure", Grade.GOOD, "at middle grey"),
        ({"level": 3.0}, "Exposure", Grade.BETTER, "1.0 stop more light"),
        ({"level": 4.0}, "Exposure", Grade.CHANGE, "2.0 stops more light"),
        ({"level": 0.3}, "Exposure", Grade.BETTER, "lamps down"),
        ({"level": 0.1}, "Exposure", Grade.CHANGE, "lamps down"),
        ({"clipped": 0.01}, "Exposure", Grade.BETTER, "highlight warning"),
        ({"clipped": 0.05}, "Exposure", Grade.CHANGE, "5 % of it"),
        ({"saturation": 0.5}, "Colour", Grade.BETTER, "pale"),
        ({"saturation": 0.3}, "Colour", Grade.CHANGE, "off the screen"),
        ({"noise": 0.05}, "Noise", Grade.BETTER, "Lower the ISO"),
        ({"noise": 0.08}, "Noise", Grade.CHANGE, "8 %"),
        ({"folds": 0.2}, "Cloth", Grade.BETTER, "Stretch the cloth"),
        ({"folds": 0.5}, "Cloth", Grade.CHANGE, "0.5 stops"),
        ({"spill": 0.3}, "Spill", Grade.BETTER, "one metre farther from the screen"),
        ({"spill": 0.5}, "Spill", Grade.CHANGE, "50 %"),
        ({"spill": 0.5}, "Distance", Grade.BETTER, "standing close"),
        ({"alike": 0.2}, "Clothes", Grade.BETTER, "a blue screen"),
        ({"alike": 0.6}, "Clothes", Grade.CHANGE, "60 %"),
    ],
)
def test_each_point_says_what_to_change(
    changed: dict[str, float], topic: str, grade: Grade, words: str
) -> None:
    report = replace(good(), **changed)  # type: ignore[arg-type]
    found = about(topic, report)
    assert found.grade is grade
    assert words in f"{found.fact} {found.advice}"
    assert bool(found.advice) == (grade is not Grade.GOOD)
    assert (CAUTION in remarks(report, judge(report))) == (grade is not Grade.GOOD)


def test_a_shadow_and_spill_together_mean_too_close() -> None:
    shade = Shadow(0.4, 0.1, Place(0.8, 0.5, 0.4), good().shadow.where)
    alone = about("Distance", replace(good(), shadow=shade))
    both = about("Distance", replace(good(), shadow=shade, spill=0.3))
    assert (alone.grade, both.grade) == (Grade.BETTER, Grade.CHANGE)
    assert "at the right" in alone.fact
    assert "too close" in both.fact
    assert "too close" not in alone.fact


def test_a_border_matters_where_somebody_crosses_it() -> None:
    where = good().beyond.where
    free = about("Border", replace(good(), beyond=Reach((Side.LEFT, Side.RIGHT), None, where)))
    assert free.grade is Grade.GOOD
    assert "left and right" in free.fact
    touched = Place(0.1, 0.5, 1.0)
    crossed = about("Border", replace(good(), beyond=Reach((Side.LEFT,), touched, where)))
    assert crossed.grade is Grade.CHANGE
    assert "reaches over it" in crossed.fact
    floor = about("Border", replace(good(), beyond=Reach((Side.BOTTOM,), touched, where)))
    assert "under the feet" in floor.advice


def test_an_empty_screen_says_nothing_of_people() -> None:
    report = measure(upright(LIGHT))
    assert report is not None
    topics = [f.topic for f in judge(report)]
    assert topics == ["Evenness", "Exposure", "Colour", "Noise", "Cloth"]


def test_remarks() -> None:
    little = remarks(replace(good(), screen_share=0.04), [])
    assert "4 %" in little[0]
    assert "plate does not show this screen" in remarks(replace(good(), plate_fits=False), [])[0]


def test_the_headline_counts() -> None:
    report = replace(good(), noise=0.08, folds=0.2, saturation=0.5)
    line = headline(report, judge(report))
    assert line.startswith("Change 1 thing before you shoot, 2 things could be better")
    usable = replace(good(), folds=0.2)
    assert headline(usable, judge(usable)).startswith("Usable, 1 thing could be better")


def test_middle_grey() -> None:
    """18 % of the full scale, the usual grey card (common practice), in stops below it."""
    assert pytest.approx(-math.log2(0.18), abs=0.005) == limits.MIDDLE_GREY_STOPS
