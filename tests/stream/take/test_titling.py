"""Films' names: by the event's pattern, safe, never another take's."""

from __future__ import annotations

from dataclasses import replace

import pytest

from stream.config import EventConfig, EventError
from stream.event import Event
from stream.take import Take, TakeError, load_take, rewrite_take
from stream.take.changes import change_take
from stream.take.titling import film_names, retitled, titled
from tests.stream.batch.clips import add_take
from tests.stream.film.takes import record


def with_pattern(event: Event, pattern: str) -> None:
    text = event.paths.config.read_text("utf-8")
    event.paths.config.write_text(f'{text}\n[pictures]\nfile_name = "{pattern}"\n', "utf-8")


def named(take: Take) -> list[str]:
    return [f.film for f in take.films]


def test_names_end_in_the_shape(event: Event) -> None:
    take = titled(event, record(number=12, people=("1", "03")), ["wide", "tall", "wide"])
    assert named(take) == [
        "t0012-Mira-Tallow,-Åsa-Öberg-wide.mp4",
        "t0012-Mira-Tallow,-Åsa-Öberg-tall.mp4",
    ]
    assert take.films[0].poster == "t0012-Mira-Tallow,-Åsa-Öberg-wide.jpg"
    assert named(titled(event, record(people=("9",)))) == ["t0001-wide.mp4"]


@pytest.mark.parametrize(
    ("pattern", "name"),
    [
        ("{group}/{people}", "Otters/Mira-Tallow-wide.mp4"),
        ("{size}/{shot}", "wide/t0001.mp4"),
        ("{shot}_{date}_{template}", "t0001_2026-05-01_plain-wide.mp4"),
        ("{nothing}{", "t0001-Mira-Tallow-wide.mp4"),
        ("{people} x{copies}", "Mira-Tallow-x-wide.mp4"),
    ],
)
def test_the_pattern_of_pictures_is_used(event: Event, pattern: str, name: str) -> None:
    with_pattern(event, pattern)
    assert named(titled(event, record(people=("1",)))) == [name]


def test_no_name_is_given_twice(event: Event) -> None:
    with_pattern(event, "{people}")
    first, second = add_take(event), add_take(event)
    assert (named(first), named(second)) == (
        ["Mira-Tallow-wide.mp4"],
        ["Mira-Tallow-wide-2.mp4"],
    )
    # A file of somebody's own, and a poster's name: neither is taken.
    (event.paths.films / "mira-tallow-wide-3.jpg").write_bytes(b"mine")
    assert named(add_take(event)) == ["Mira-Tallow-wide-4.mp4"]


def test_a_long_name_stays_a_file_name(event: Event) -> None:
    text = event.paths.roster.read_text("utf-8").replace("Mira", "Mi" + "ra" * 200)
    event.paths.roster.write_text(text, "utf-8")
    (name,) = named(titled(event, record(people=("1",))))
    assert len(name.encode()) < 240
    assert name.endswith("-wide.mp4")


def test_former_names_are_kept_until_the_film_is_made(event: Event) -> None:
    take = add_take(event)
    assert retitled(event, take) == take
    text = event.paths.roster.read_text("utf-8")
    event.paths.roster.write_text(text.replace("Tallow", "Tallowe"), "utf-8")
    now = change_take(event, take.id)
    assert (named(now), now.former_films, now.render) == (
        ["t0001-Mira-Tallowe-wide.mp4"],
        ("t0001-Mira-Tallow-wide.mp4",),
        2,
    )
    assert "t0001-Mira-Tallow-wide.jpg" in film_names(now)
    event.paths.roster.write_text(text, "utf-8")
    back = change_take(event, take.id)
    assert (named(back), back.former_films) == (named(take), ("t0001-Mira-Tallowe-wide.mp4",))


def test_what_is_given_is_changed_and_the_rest_stays(event: Event) -> None:
    take = add_take(event)
    now = change_take(event, take.id, people=["2"], shapes=["tall"], begin_s=0.1, end_s=90)
    assert (now.people, now.begin_s, now.end_s) == (("2",), 0.1, None)
    assert named(now) == ["t0001-Jon-Fenwick-wide.mp4", "t0001-Jon-Fenwick-tall.mp4"]
    assert (now.template, now.template_version) == (take.template, take.template_version)
    assert load_take(event, take.id) == now
    again = change_take(event, take.id, end_s=0.3)
    assert (again.begin_s, again.end_s, again.render) == (0.1, 0.3, 3)
    assert [f.shape for f in again.films] == ["wide", "tall"]


@pytest.mark.parametrize(
    ("begin_s", "end_s", "told"),
    [(5.0, None, "give an earlier begin"), (0.2, 0.2, "end after it begins"), (-1, None, "at 0")],
)
def test_a_part_that_is_not_there_changes_nothing(
    event: Event, begin_s: float, end_s: float | None, told: str
) -> None:
    take = add_take(event)
    with pytest.raises(TakeError, match=told) as caught:
        change_take(event, take.id, begin_s=begin_s, end_s=end_s)
    assert "\n" not in str(caught.value)
    assert load_take(event, take.id) == take


def test_a_take_that_is_recorded_is_left_alone(event: Event) -> None:
    take = add_take(event)
    rewrite_take(event, replace(take, recording=True))
    with pytest.raises(TakeError, match="still being recorded"):
        change_take(event, take.id)


@pytest.mark.parametrize(
    ("table", "told"),
    [('shapes = ["round"]', "round"), ("shapes = 1", "a list"), ("size = 1", "no 'size'")],
)
def test_shapes_of_event_toml_are_checked(event: Event, table: str, told: str) -> None:
    text = event.paths.config.read_text("utf-8")
    event.paths.config.write_text(f"{text}\n[films]\n{table}\n", "utf-8")
    with pytest.raises(EventError, match=told) as caught:
        EventConfig.load(event.paths.config)
    assert "\n" not in str(caught.value)


def test_shapes_of_event_toml_are_read_and_written(event: Event) -> None:
    config = EventConfig("Walk", films={"shapes": ["tall", "wide"]})
    event.paths.config.write_text(config.to_toml(), "utf-8")
    assert EventConfig.load(event.paths.config) == config
    assert config.film_shapes == ("tall", "wide")
    assert EventConfig("Walk").film_shapes == ("wide",)
