"""After `event forget` nothing of a person's takes and greetings is in the folder's bytes."""

from __future__ import annotations

import shutil
import sqlite3
from dataclasses import dataclass, replace
from datetime import timedelta
from pathlib import Path

import pytest

from stream.batch.jobs import JobQueue
from stream.batch.sweep import sweep_film_work
from stream.event import Event
from stream.film.owner import film_owner
from stream.forgetting.commands import retain
from stream.forgetting.searching import holding
from stream.people.upcoming import Upcoming, keep_upcoming, upcoming
from stream.shot import save_shot
from stream.take import Take, load_take, rewrite_take, take_ids
from tests.stream.batch.clips import add_take
from tests.stream.batch.scenario import SETTINGS, TAKEN, make_event, make_frame
from tests.stream.film import ninth
from tests.stream.forgetting.leaving import NAME, NUMBER, ROSTER, digest, hashes, run, traces
from tests.stream.forgetting.test_retain import words as retain_words

pytestmark = pytest.mark.usefixtures("small_films")


@dataclass(frozen=True)
class Evening:
    """An event with greetings.

    Attributes:
        folder: the event's.
        alone, group, other, once: takes: of the person; with Mira; Mira's; Jon's, of which a
            greeting was made under the person's name.
        showing: digests of the files that show the person alone.
    """

    folder: Path
    alone: str
    group: str
    other: str
    once: str
    showing: frozenset[str]


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Evening:
    event = make_event(tmp_path_factory.mktemp("greetings"), ROSTER)
    root = event.paths.root
    with event.paths.config.open("a", encoding="utf-8") as file:
        file.write('\n[pictures]\nnames = true\nfile_name = "{people}/{shot}-{people}"\n')
    event = Event.open(root)
    with event.logging():
        alone = add_take(event, (NUMBER,), frames=6, shapes=["wide", "tall"])
        group = add_take(event, ("101", NUMBER), frames=6)
        other = add_take(event, ("101",), frames=6)
        once = add_take(event, (NUMBER,), frames=6)
        save_shot(event, make_frame(1), people=[NUMBER], settings=SETTINGS)
    with ninth.ninth():
        assert run("batch", "run", "--event", root) == 0
    with JobQueue(event) as queue:
        sweep_film_work(event, queue)  # as the worker does now and then
    # Who was thought to be in it: the record is another's, the greeting still has the name.
    rewrite_take(event, replace(load_take(event, once.id), people=("102",)))
    keep_upcoming(event.paths, Upcoming(("101", NUMBER), None, TAKEN))
    shutil.copy(event.paths.films / alone.films[0].film, root / "for the family.mp4")
    shutil.copy(root / "takes" / alone.id / "take.mkv", root / "backup.mkv")
    # What a killed worker leaves of a film in work.
    for take_id in (alone.id, group.id, other.id, "t0009-0123ab"):
        work = event.paths.film_work / f"{take_id}.9" / "wide"
        work.mkdir(parents=True)
        (work / "00001.mkv").write_bytes(b"piece")
    files = [event.paths.films / n for f in alone.films for n in (f.film, f.poster)]
    files += [p for p in (root / "takes" / alone.id).iterdir() if p.suffix == ".json"]
    return Evening(root, alone.id, group.id, other.id, once.id, frozenset(digest(f) for f in files))


@pytest.fixture
def evening(made: Evening, tmp_path: Path) -> Evening:
    folder = tmp_path / "walk"
    shutil.copytree(made.folder, folder)
    return replace(made, folder=folder)


def take_of(evening: Evening, take_id: str) -> Take:
    return load_take(Event.open(evening.folder), take_id)


def nothing_left(evening: Evening) -> None:
    """No name, no file of the person's own, no job, no piece."""
    assert traces(evening.folder) == []
    assert holding(evening.folder, NAME) == []
    assert not evening.showing & set(hashes(evening.folder).values())
    assert not (evening.folder / "for the family.mp4").exists()
    assert not (evening.folder / "backup.mkv").exists()
    event = Event.open(evening.folder)
    assert evening.alone not in take_ids(event)
    assert all(NUMBER not in load_take(event, i).people for i in take_ids(event))
    assert [p.name for p in event.paths.film_work.iterdir()] == [f"{evening.other}.9"]
    with sqlite3.connect(event.paths.queue) as store:
        jobs = {str(r[0]) for r in store.execute("SELECT workflow_uuid FROM workflow_status")}
    store.close()
    assert not any(j.startswith((evening.alone, evening.group, evening.once)) for j in jobs)
    assert any(j.startswith(evening.other) for j in jobs)
    assert evening.alone not in event.paths.log.read_text("utf-8")
    assert upcoming(event.paths) == Upcoming(("101",), None, TAKEN)


def others_untouched(evening: Evening, before: dict[str, str]) -> None:
    """The take of somebody else alone, byte for byte, with its greeting, design and plates."""
    now = hashes(evening.folder)
    take = take_of(evening, evening.other)
    same = [p for p in before if p.startswith((f"takes/{evening.other}/", "template"))]
    same += [f"films/{n}" for f in take.films for n in (f.film, f.poster)]
    assert len(same) > 6
    assert {p: now.get(p) for p in same} == {p: before[p] for p in same}


def test_the_event_holds_what_is_searched_for(evening: Evening) -> None:
    """Else the tests below could not fail."""
    found = traces(evening.folder)
    named = {p for p in found if p.startswith("films/") and p.endswith((".mp4", ".jpg"))}
    # In wide and tall, of the group and of the take that is now another's, each with its poster.
    assert len(named) == 8
    # Its name stands in the metadata as well.
    assert "for the family.mp4" in found
    assert {str(p.relative_to(evening.folder)) for p in holding(evening.folder, NAME)} >= named
    assert evening.showing <= set(hashes(evening.folder).values())


@pytest.mark.parametrize("choice", ["remove", "keep"])
def test_a_persons_takes_go_with_all_that_was_made_of_them(
    evening: Evening, capsys: pytest.CaptureFixture[str], choice: str
) -> None:
    before = hashes(evening.folder)
    here = ("--event", evening.folder)
    assert run("event", "forget", "Öberg", "--group-shots", choice, "--yes", *here) == 0
    out = capsys.readouterr().out
    assert "1 take alone: t0001" in out
    assert "take t0002 together with Mira Tallow (101)" in out
    assert "take t0004 is of others" in out
    nothing_left(evening)
    others_untouched(evening, before)
    event = Event.open(evening.folder)
    kept = [evening.other, evening.once] + [evening.group] * (choice == "keep")
    assert take_ids(event) == sorted(kept)
    once = take_of(evening, evening.once)
    assert [f.film for f in once.films] == ["Fenwick,-Jon/t0004-Fenwick,-Jon-wide.mp4"]
    if choice == "keep":
        group = take_of(evening, evening.group)
        assert (group.people, group.former_films, group.render) == (("101",), (), 2)
        assert [f.film for f in group.films] == ["Mira-Tallow/t0002-Mira-Tallow-wide.mp4"]
        media = f"takes/{evening.group}/take.mkv"
        assert hashes(evening.folder)[media] == before[media]
    # What stays for others is made anew, without the name.
    assert run("batch", "run", *here) == 0
    for take_id in kept:
        take = take_of(evening, take_id)
        for wanted in take.films:
            assert film_owner(event.paths.films / wanted.film) == take.unique
    assert traces(evening.folder) == []


def test_takes_of_others_are_asked_about(
    evening: Evening, capsys: pytest.CaptureFixture[str]
) -> None:
    before = hashes(evening.folder)
    assert run("event", "forget", NUMBER, "--yes", "--event", evening.folder) == 2
    told = capsys.readouterr().err
    assert "t0002" in told
    assert "--group-shots remove or --group-shots keep" in told
    assert hashes(evening.folder) == before


def test_a_take_that_cannot_be_read_is_told(
    evening: Evening, capsys: pytest.CaptureFixture[str]
) -> None:
    (evening.folder / "takes" / evening.other / "take.json").write_text("{", "utf-8")
    words = ("--group-shots", "remove", "--yes", "--event", evening.folder)
    assert run("event", "forget", NUMBER, *words) == 1
    assert f"look at takes/{evening.other} yourself" in capsys.readouterr().err
    assert traces(evening.folder) == []
    assert not evening.showing & set(hashes(evening.folder).values())


def test_a_film_of_nobody_known_is_named(
    evening: Evening, capsys: pytest.CaptureFixture[str]
) -> None:
    clip = evening.folder / "cut at home.mp4"
    shutil.copy(next((evening.folder.parent / "walk" / "takes").glob("*/take.mkv")), clip)
    with clip.open("ab") as file:
        file.write(b"\0")
    words = ("--group-shots", "remove", "--yes", "--event", evening.folder)
    assert run("event", "forget", NUMBER, *words) == 0
    told = capsys.readouterr().out.split("Nobody knows whom")[1].split("Beyond reach")[0]
    assert [line.strip() for line in told.split("\n")[1:-1]] == ["cut at home.mp4"]


def test_old_takes_go_and_young_ones_stay(
    evening: Evening, capsys: pytest.CaptureFixture[str]
) -> None:
    event = Event.open(evening.folder)
    keep_upcoming(event.paths, Upcoming(("101", "102", NUMBER), None, TAKEN))
    for n, take_id in enumerate(take_ids(event)):
        old = take_id in (evening.alone, evening.once)
        begun = TAKEN - timedelta(days=40 + n if old else 0)
        rewrite_take(event, replace(load_take(event, take_id), begun=begun))
    now = TAKEN + timedelta(days=1)
    args = retain_words(evening, "--days", "30", "--yes")  # type: ignore[arg-type]
    assert retain(args, now) == 0
    out = capsys.readouterr().out
    assert "So are 2 of 4 takes: t0001, t0004." in out
    assert "102 Fenwick, Jon" in out
    event = Event.open(evening.folder)
    assert upcoming(event.paths) == Upcoming(("101", NUMBER), None, TAKEN)
    assert take_ids(event) == [evening.group, evening.other]
    # Who is in a younger take stays on the roster.
    assert [p.number for p in event.roster] == ["101", NUMBER, "104"]
    assert not any(p.startswith("films/Åsa") and "0001" in p for p in hashes(evening.folder))
