"""After `event forget` nothing of the person is in the folder's bytes, and all else is as before.

What is to go is searched for plainly, by the bytes of the name and the digests of the files.
"""

from __future__ import annotations

import os
import re
import shutil
import socket
import sqlite3
from pathlib import Path

import pytest

from stream.batch.making import make_pictures
from stream.batch.render import Renderer, text_fields
from stream.batch.worker import worker_lock
from stream.event import Event
from stream.live.link import Link
from stream.shot import load_shot, shot_ids
from tests.stream.forgetting.leaving import (
    NAME,
    NUMBER,
    Left,
    hashes,
    run,
    to_workbook,
    traces,
)


def nothing_left(left: Left, kept: tuple[str, ...] = ()) -> None:
    """Nothing of the person but the frames of some shots, without name and number."""
    assert traces(left.folder) == []
    now = hashes(left.folder)
    staying = tuple(f"shots/{i}/frame" for i in kept) + tuple(f"shots/{i}/view" for i in kept)
    gone = {path for path, has in now.items() if has in left.hashes}
    assert {p for p in gone if not p.startswith(staying)} == set()
    event = Event.open(left.folder)
    assert event.roster.get(NUMBER) is None
    for shot_id in shot_ids(event):
        shot = load_shot(event, shot_id)
        assert NUMBER not in shot.people
        assert set(shot.beside) <= set(shot_ids(event)), "it could not be made any longer"
        assert f'"{NUMBER}"' not in (event.paths.shots / shot_id / "shot.json").read_text("utf-8")
    # Without the time of day, whose milliseconds may be any number.
    log = re.sub(r"(?m)^\S+ \S+ ", "", event.paths.log.read_text("utf-8"))
    assert not re.search(rf"\b{NUMBER}\b", log)
    assert not any(i in log for i in (left.alone, left.laid) if i not in kept)
    for name in ("orders.csv", "roster.csv", "roster-numbers.csv"):
        path = left.folder / name
        assert not path.exists() or not re.search(rb"\b103\b", path.read_bytes())
    # Notes of documents that are gone.
    assert list((event.paths.shots / left.pair).glob("opened-*")) == []
    assert len(list((event.paths.shots / left.other).glob("opened-*"))) == 2
    with sqlite3.connect(event.paths.queue) as store:
        jobs = {str(r[0]) for r in store.execute("SELECT workflow_uuid FROM workflow_status")}
    store.close()
    assert not any(j.startswith((left.alone, left.laid, left.group, left.pair)) for j in jobs)
    # Not in what deleting leaves in the file either.
    if not kept:
        data = event.paths.queue.read_bytes()
        assert not any(i.encode() in data for i in (left.alone, left.laid, left.group))
    assert not (left.folder / "queue.sqlite-wal").exists()


def others_untouched(left: Left, before: dict[str, str]) -> None:
    """Shots, pictures and documents of others are as they were, byte for byte, and still render."""
    now = hashes(left.folder)
    event = Event.open(left.folder)
    for shot_id in left.others:
        shot = load_shot(event, shot_id)
        own = [p for p in before if p.startswith(f"shots/{shot_id}/")]
        own += [f"pictures/{w.picture}" for w in shot.wanted]
        assert len(own) > 2
        assert {p: now.get(p) for p in own} == {p: before[p] for p in own}
        made = make_pictures(Renderer(event), shot)
        assert (
            hashes(left.folder)[f"pictures/{shot.picture}"] == before[f"pictures/{made['picture']}"]
        )
    same = ["by-hand/other.ora", "event.toml", *(p for p in before if p.startswith("templates/"))]
    assert {p: now.get(p) for p in same} == {p: before[p] for p in same}
    # Mira's own frame stays, though her picture showed the other beside her.
    frame = f"shots/{left.pair}/frame.mkv"
    assert now[frame] == before[frame]


def test_the_event_holds_what_is_searched_for(left: Left) -> None:
    """Else the tests below could not fail."""
    found = traces(left.folder)
    for what in ("roster.csv", "queue.sqlite", f"shots/{left.alone}/shot.json"):
        assert what in found
    assert sum(p.startswith("pictures/") for p in found) > 6
    assert set(hashes(left.folder).values()) >= left.hashes
    assert len(left.hashes) > 15
    assert re.search(rf"people 101,{NUMBER}\)", (left.folder / "posewall.log").read_text("utf-8"))


@pytest.mark.parametrize("kind", ["csv", "xlsx"])
def test_a_person_is_removed_with_every_shot(
    left: Left, capsys: pytest.CaptureFixture[str], kind: str
) -> None:
    if kind == "xlsx":
        to_workbook(left.folder)
    before = hashes(left.folder)
    words = ("--group-shots", "remove", "--yes", "--event", left.folder)
    assert run("event", "forget", "öberg", *words) == 0
    out = capsys.readouterr().out
    assert "shot 0002 together with Mira Tallow (101)" in out
    assert "Beyond reach" in out
    nothing_left(left)
    others_untouched(left, before)
    event = Event.open(left.folder)
    assert left.group not in shot_ids(event)
    assert [p.name for p in event.roster] == ["Mira Tallow", "Fenwick, Jon", "Nils Quill"]
    assert load_shot(event, left.pair).beside == ()
    assert run("batch", "run", "--event", left.folder) == 0
    assert (event.paths.pictures / load_shot(event, left.pair).picture).is_file()
    assert traces(left.folder) == []


def test_shots_with_others_stay_without_the_name(left: Left) -> None:
    before = hashes(left.folder)
    wanted = [(w.template, w.copies) for w in load_shot(Event.open(left.folder), left.group).wanted]
    assert wanted == [("pier", 5), ("pair", 1)]
    words = ("--group-shots", "keep", "--yes", "--event", left.folder)
    assert run("event", "forget", NUMBER, *words) == 0
    kept = (left.group, left.laid)
    nothing_left(left, kept)
    others_untouched(left, before)
    event = Event.open(left.folder)
    group, laid, pair = (load_shot(event, i) for i in (left.group, left.laid, left.pair))
    assert (group.people, laid.people, pair.beside) == (("101",), (), (left.laid,))
    assert text_fields(event, group)["name"] == "Mira Tallow"
    assert text_fields(event, pair, laid)["name"] == "Mira Tallow"
    assert run("batch", "run", "--event", left.folder) == 0
    for shot in (group, laid, pair):
        assert (event.paths.pictures / shot.picture).is_file()
    assert group.picture == "Mira-Tallow/0002-Mira-Tallow.jpg"
    assert [(w.template, w.copies) for w in group.wanted] == [("pier", 2)], "her own order"
    assert laid.picture == "0004.jpg"
    assert [e["picture"] for e in pair.earlier] == ["Mira-Tallow/0003-Mira-Tallow.jpg"]
    assert traces(left.folder) == []


def test_nothing_goes_before_the_questions_are_answered(
    left: Left, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    before = hashes(left.folder)
    here = ("--event", left.folder)
    assert run("event", "forget", NUMBER, *here, "--yes") == 2
    assert "--group-shots remove or --group-shots keep" in capsys.readouterr().err
    assert run("event", "forget", NUMBER, *here, "--group-shots", "keep") == 2
    assert "say it with --yes" in capsys.readouterr().err
    monkeypatch.setattr("sys.stdin.isatty", lambda: True, raising=False)
    asked: list[str] = []

    def no(question: str) -> str:
        asked.append(question)
        return "n"

    monkeypatch.setattr("builtins.input", no)
    assert run("event", "forget", NUMBER, *here) == 0
    assert len(asked) == 2
    assert "0002, 0004" in asked[0]
    assert "Nothing was removed." in capsys.readouterr().out
    assert hashes(left.folder) == before


def test_not_while_somebody_is_at_work(left: Left, capsys: pytest.CaptureFixture[str]) -> None:
    words = ("event", "forget", NUMBER, "--group-shots", "keep", "--yes", "--event", left.folder)
    before = hashes(left.folder)
    with worker_lock(Event.open(left.folder)):
        assert run(*words) == 2
    assert "are being made" in capsys.readouterr().err
    with socket.create_server(("127.0.0.1", 0)) as server:
        Link(os.getpid(), server.getsockname()[1], "token").write(left.folder)
        assert run(*words) == 2
    assert "live program" in capsys.readouterr().err
    Link(os.getpid(), 1, "token").remove(left.folder)
    (left.folder / "live.json").unlink()
    assert hashes(left.folder) == before


def test_damaged_records_and_people_of_the_same_name_are_told(
    left: Left, capsys: pytest.CaptureFixture[str]
) -> None:
    record = left.folder / "shots" / left.hidden / "shot.json"
    record.write_text("{", "utf-8")
    path = left.folder / "roster.csv"
    path.write_text(path.read_text("utf-8") + f"105,{NAME},Larks,\n", "utf-8")
    words = ("--group-shots", "remove", "--yes", "--event", left.folder)
    assert run("event", "forget", NUMBER, *words) == 1
    told = capsys.readouterr()
    assert f"the record of shot {left.hidden} cannot be read" in told.err
    assert "Somebody else has the same name (number 105) and stays" in told.out
    assert traces(left.folder) == ["roster.csv"]
    assert [p.number for p in Event.open(left.folder).roster] == ["101", "102", "104", "105"]


def test_a_name_written_by_hand_elsewhere_is_told(
    left: Left, capsys: pytest.CaptureFixture[str]
) -> None:
    (left.folder / "to do.txt").write_text(f"ring {NAME}'s mother", "utf-8")
    words = ("--group-shots", "remove", "--yes", "--event", left.folder)
    assert run("event", "forget", NUMBER, *words) == 1
    assert "to do.txt" in capsys.readouterr().err


def test_a_shot_that_once_had_the_name_loses_it(
    left: Left, capsys: pytest.CaptureFixture[str]
) -> None:
    here = ("--event", left.folder)
    event = Event.open(left.folder)
    for person in (NUMBER, "104"):
        assert run("batch", "change", "6", "--person", person, *here) == 0
        make_pictures(Renderer(event), load_shot(event, left.hidden))
    assert run("event", "forget", NUMBER, "--group-shots", "remove", "--yes", *here) == 0
    assert "shot 0006 is of others; an earlier picture has this person's name" in (
        capsys.readouterr().out
    )
    nothing_left(left)
    make_pictures(Renderer(event), load_shot(event, left.hidden))
    assert traces(left.folder) == []


def test_who_is_on_no_list_any_longer_is_found_by_number(left: Left) -> None:
    path = left.folder / "roster.csv"
    lines = path.read_text("utf-8").splitlines(keepends=True)
    path.write_text("".join(line for line in lines if "103" not in line), "utf-8")
    assert (
        run("event", "forget", NUMBER, "--group-shots", "remove", "--yes", "--event", left.folder)
        == 0
    )
    event = Event.open(left.folder)
    assert not any(NUMBER in load_shot(event, i).people for i in shot_ids(event))
    assert not any(digest in left.hashes for digest in hashes(left.folder).values())


def test_a_document_elsewhere_is_named(
    left: Left, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    away = tmp_path / "desk" / "one.ora"
    away.parent.mkdir()
    assert run("open-up", "1", "-o", away, "--event", left.folder) == 0
    words = ("--group-shots", "keep", "--yes", "--event", left.folder)
    assert run("event", "forget", NUMBER, *words) == 0
    assert f"{away} was opened up outside" in capsys.readouterr().out
    assert away.is_file()


def test_files_of_nobody_known_are_named(left: Left, capsys: pytest.CaptureFixture[str]) -> None:
    here = ("--event", left.folder)
    assert run("contact-sheet", *here, "--out", left.folder / "for the office.pdf") == 0
    shutil.copy(left.folder / "shots" / left.other / "view.jpg", left.folder / "scan.jpg")
    capsys.readouterr()
    assert run("event", "forget", NUMBER, "--group-shots", "keep", "--yes", *here) == 0
    out = capsys.readouterr().out
    told = out.split("Nobody knows whom these files")[1].split("Beyond reach")[0].split("\n")[1:-1]
    assert [line.strip() for line in told] == ["for the office.pdf", "scan.jpg"]


def test_others_pictures_under_a_taken_name_stay(
    left: Left, capsys: pytest.CaptureFixture[str]
) -> None:
    event = Event.open(left.folder)
    mine = event.paths.pictures / load_shot(event, left.alone).picture
    others = event.paths.pictures / load_shot(event, left.other).picture
    shutil.copy(others, mine)
    words = ("--group-shots", "keep", "--yes", "--event", left.folder)
    assert run("event", "forget", NUMBER, *words) == 1
    assert "another shot's picture now and stays" in capsys.readouterr().out
    assert mine.read_bytes() == others.read_bytes()
