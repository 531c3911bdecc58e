"""Greetings beside the live picture: when they may be expected, and the files that are shown."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import pytest

from stream.batch.forecast import UNKNOWN
from stream.batch.jobs import JobQueue
from stream.batch.pace import Pace, note_pace, paces
from stream.cli import main
from stream.durable import replace_file
from stream.errors import UserError
from stream.event import Event
from stream.film.owner import film_owner
from stream.live.films import GreetingFiles
from stream.live.lately import ASK_EVERY_S, SHOWN_TAKES, Lately
from stream.shot import save_shot
from stream.take import Take, load_take, rewrite_take
from tests.stream.batch.clips import add_take
from tests.stream.batch.scenario import SETTINGS, make_event, make_frame


@pytest.fixture
def event(tmp_path: Path) -> Event:
    return make_event(tmp_path)


class Clock:
    """Time that passes when a test says so."""

    def __init__(self) -> None:
        self.now = 0.0

    def __call__(self) -> float:
        return self.now


@dataclass
class Hall:
    """What a page is told of an event's takes."""

    event: Event
    lately: Lately
    clock: Clock

    def looked(self) -> list[dict[str, Any]]:
        self.clock.now += 2 * ASK_EVERY_S
        self.lately.refresh()
        return self.lately.takes()


def hall_of(event: Event) -> Iterator[Hall]:
    clock = Clock()
    lately = Lately(event, clock)
    yield Hall(event, lately, clock)
    lately.close()


@pytest.fixture
def hall(event: Event) -> Iterator[Hall]:
    yield from hall_of(event)


def queued(event: Event, *takes: Take) -> None:
    with JobQueue(event) as queue:
        for take in takes:
            queue.enqueue_take(take)


def pace_of(take: Take, seconds: float) -> Pace:
    """As if the films of a take had taken so long."""
    assert take.length_s is not None
    return Pace(frames=100, seconds=seconds, shown_s=take.length_s, template="pier", shapes=1)


def test_takes_that_wait_say_when_they_may_be_expected(event: Event, hall: Hall) -> None:
    made = [add_take(event) for _ in range(3)]
    for take in made:
        hall.lately.recorded(take)
    queued(event, *made)
    rows = hall.looked()
    assert [r["expected"] for r in rows[::-1]] == [
        UNKNOWN,
        f"{UNKNOWN}, and 1 other is made before it",
        f"{UNKNOWN}, and 2 others are made before it",
    ]
    note_pace(event, pace_of(made[0], 700.0))
    rows = hall.looked()
    assert [(r["id"], r["expected"], r["ahead"]) for r in rows[::-1]] == [
        (made[0].id, "about 12 minutes", 0),
        (made[1].id, "about 25 minutes, after 1 other", 1),
        (made[2].id, "about 35 minutes, after 2 others", 2),
    ]
    assert all((r["state"], r["shapes"]) == ("queued", []) for r in rows)


def test_whoever_stops_a_take_is_told_when(event: Event, hall: Hall) -> None:
    first, second, third = (add_take(event) for _ in range(3))
    hall.lately.recorded(first)
    hall.lately.recorded(second)
    queued(event, first, second)
    hall.looked()
    words = hall.lately.greeting(third)
    assert words == f"{UNKNOWN}, and 2 others are made before it"
    note_pace(event, pace_of(first, 700.0))
    words = hall.lately.greeting(third)
    assert words == "its greeting may be expected in about 35 minutes, after 2 others"
    elsewhere = Lately(event, made_here=False)
    said = elsewhere.greeting(third)
    waits = "its greeting waits until 'posewall batch run' runs"
    assert said == f"{waits}; it may then be expected in about 12 minutes"
    elsewhere.refresh()
    lines = {row["expected"] for row in elsewhere.takes()}
    elsewhere.close()
    assert "about 12 minutes; it waits until 'posewall batch run' runs" in lines
    assert hall.lately.greeting(replace(third, films=(), length_s=0.0)) == ""


def test_those_before_a_take_count_once(event: Event, hall: Hall) -> None:
    """What the page knows of them is foretold already."""
    first, second, third, fourth = (add_take(event) for _ in range(4))
    for take in (first, second, third):
        hall.lately.recorded(take)
    queued(event, first, second, third)
    note_pace(event, pace_of(first, 700.0))
    before = [row["expected"] for row in hall.looked()[::-1]]
    assert hall.looked()[0]["expected"] == before[-1], "as often as it is asked"
    words = hall.lately.greeting(fourth)
    assert words == "its greeting may be expected in about 50 minutes, after 3 others"


def test_pictures_that_wait_go_before_a_greeting(event: Event, hall: Hall) -> None:
    shot = save_shot(event, make_frame(), template="pier", settings=SETTINGS)
    take = add_take(event)
    hall.lately.kept(shot)
    with JobQueue(event) as queue:
        queue.enqueue(shot)
    hall.looked()
    words = hall.lately.greeting(take)
    assert words == f"{UNKNOWN}, and the pictures that wait are made before it"


def test_takes_that_are_not_shown_any_more_still_wait_before_others(
    event: Event, hall: Hall
) -> None:
    made = [add_take(event) for _ in range(SHOWN_TAKES + 2)]
    for take in made:
        hall.lately.recorded(take)
    queued(event, *made)
    rows = hall.looked()
    assert len(rows) == SHOWN_TAKES
    assert rows[0]["ahead"] == SHOWN_TAKES + 1


def test_a_take_that_was_cut_off_goes_on_saying_so(event: Event, hall: Hall) -> None:
    take = rewrite_take(event, replace(add_take(event), notes=("cut off",)))
    hall.lately.recorded(take)
    assert hall.lately.takes()[0]["notes"] == ["cut off"]
    queued(event, take)
    assert hall.looked()[0]["notes"] == ["cut off"]


@pytest.fixture(scope="module")
def finished(tmp_path_factory: pytest.TempPathFactory) -> Event:
    """An event with one greeting, made by the real command."""
    event = make_event(tmp_path_factory.mktemp("finished"))
    add_take(event, frames=6)
    assert main(["batch", "run", "--event", str(event.paths.root)]) == 0
    return event


@pytest.fixture
def ready(finished: Event, tmp_path: Path) -> tuple[Event, Take]:
    shutil.copytree(finished.paths.root, tmp_path / "walk")
    event = Event.open(tmp_path / "walk")
    (folder,) = event.paths.takes.iterdir()
    return event, load_take(event, folder.name)


def test_a_finished_one_is_shown_and_played(ready: tuple[Event, Take]) -> None:
    event, take = ready
    for hall in hall_of(event):
        (row,) = hall.looked()
        assert (row["state"], row["shapes"], row["expected"]) == ("done", ["wide"], "")
    (film,) = take.films
    files = GreetingFiles(event)
    assert files(take.id, "wide.mp4") == event.paths.films / film.film
    assert files(take.id, "wide.jpg") == event.paths.films / film.poster
    assert files(take.id, "view.jpg").is_file()
    assert len(paces(event)) == 1


@pytest.mark.parametrize(
    ("take_id", "name", "sentence"),
    [
        ("t0001", "wide.mp4", "no take's id"),
        ("../films", "wide.mp4", "no take's id"),
        ("t0009-abcdef", "wide.mp4", "there is no take"),
        ("", "tall.mp4", "no tall greeting is made"),
        ("", "take.mkv", "has no file"),
        ("", "../take.json", "has no file"),
        ("", "wide", "has no file"),
    ],
)
def test_nothing_else_is_given(
    ready: tuple[Event, Take], take_id: str, name: str, sentence: str
) -> None:
    event, take = ready
    with pytest.raises(UserError, match=sentence):
        GreetingFiles(event)(take_id or take.id, name)


def test_a_file_of_somebody_else_under_its_name_is_not_given(ready: tuple[Event, Take]) -> None:
    event, take = ready
    film, files = event.paths.films / take.films[0].film, GreetingFiles(event)
    assert files(take.id, "wide.mp4") == film
    other = add_take(event)
    rewrite_take(event, replace(other, films=take.films))
    for name in ("wide.mp4", "wide.jpg"):
        with pytest.raises(UserError, match="no longer where it was made"):
            files(other.id, name)
    film.unlink()
    with pytest.raises(UserError, match="posewall greet t0001"):
        files(take.id, "wide.mp4")
    assert files(take.id, "wide.jpg").is_file()


def test_many_parts_of_a_film_are_given_without_opening_it_each_time(
    ready: tuple[Event, Take],
) -> None:
    event, take = ready
    opened: list[str] = []

    def load(event: Event, take_id: str) -> Take:
        opened.append("record")
        return load_take(event, take_id)

    def owner(path: Path) -> str | None:
        opened.append("film")
        return film_owner(path)

    files = GreetingFiles(event, load=load, film_of=owner)
    for _ in range(5):
        film = files(take.id, "wide.mp4")
    assert opened == ["record", "film"]
    # Another record, and then another film, are looked at.
    rewrite_take(event, replace(take, notes=("another",)))
    files(take.id, "wide.mp4")
    assert opened == ["record", "film", "record"]
    whole = film.read_bytes()
    film.write_bytes(whole[:100])
    for _ in range(2):  # what could not be read may be readable a moment later
        with pytest.raises(UserError, match="no longer where it was made"):
            files(take.id, "wide.mp4")
    assert opened[3:] == ["film", "film"]
    replace_file(film, whole)
    files(take.id, "wide.mp4")
    shutil.rmtree(event.paths.takes / take.id)
    with pytest.raises(UserError, match="there is no take"):
        files(take.id, "wide.mp4")
