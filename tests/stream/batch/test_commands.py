"""The commands as a person at the event types them."""

from __future__ import annotations

import argparse
import os
import sys
from pathlib import Path

import pytest
from PIL import Image

from stream.batch.commands import add_commands
from stream.batch.render import NO_SCREEN
from stream.durable import PARTIAL
from stream.errors import UserError
from stream.event import Event
from stream.shot import load_shot, save_shot, shot_ids
from tests.stream.batch.scenario import (
    ROSTER,
    SETTINGS,
    make_event,
    make_frame,
    make_still,
    make_template,
    without_colour,
)
from tests.stream.shot.bursts import stills


def typed(*words: str | Path) -> int:
    parser = argparse.ArgumentParser()
    add_commands(parser.add_subparsers(required=True))
    args = parser.parse_args([str(w) for w in words])
    return int(args.run(args))


def test_from_a_new_event_to_pictures(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    listed = tmp_path / "list.csv"
    listed.write_text(ROSTER, "utf-8")
    template = make_template(tmp_path / "pier")
    walk = tmp_path / "walk"
    words: list[str | Path] = ["--name", "Lantern Walk", "--roster", listed, "--template", template]
    assert typed("event", "new", walk, "--date", "2026-05-31", *words) == 0
    assert "3 people" in capsys.readouterr().out

    stills = [make_still(tmp_path / f"{n}.jpg", seed=n) for n in (1, 2)]
    torn = tmp_path / "torn.jpg"
    torn.write_bytes(b"\xff\xd8\xff torn")
    words = ["--event", walk, "--person", "åsa", "--plate", stills[0]]
    assert typed("batch", "add", *stills, torn, *words) == 1
    told = capsys.readouterr()
    assert "1/3 1.jpg added as shot 0001" in told.out
    assert "3/3 " in told.err
    assert "torn.jpg" in told.err
    assert "1 of 3 files were not added" in told.err
    assert typed("batch", "add", stills[0], "--event", walk, "--person", "03") == 0
    assert "is shot 0001 already" in capsys.readouterr().out

    assert typed("batch", "status", "--event", walk) == 0
    told = capsys.readouterr()
    assert "Lantern Walk: 2 shots" in told.out
    assert "2 waiting" in told.out
    assert "No program is making pictures now" in told.out

    assert typed("batch", "run", "--event", walk) == 0
    told = capsys.readouterr()
    assert "2 of 2 pictures are made, 0 failed" in told.out
    assert "2/2 0002  done: 0002-Åsa-Öberg.jpg" in told.err
    names = sorted(p.name for p in (walk / "pictures").iterdir())
    assert names == ["0001-Åsa-Öberg.jpg", "0002-Åsa-Öberg.jpg"]


def test_asking_how_it_stands_removes_nothing(tmp_path: Path) -> None:
    """A clip may just be added by another program, and take long."""
    event = make_event(tmp_path)
    begun = event.paths.takes / f"{PARTIAL}begun"
    begun.mkdir(parents=True)
    os.utime(begun, (1000, 1000))
    assert typed("batch", "status", "--event", event.paths.root) == 0
    assert begun.is_dir()


def test_a_failure_makes_the_run_fail_and_again_mends_it(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    event = make_event(tmp_path)
    ids = [save_shot(event, make_frame(i), people=["1"], settings=SETTINGS).id for i in range(2)]
    frame = event.paths.shots / ids[0] / "frame.mkv"
    whole = frame.read_bytes()
    frame.write_bytes(whole[:100])
    assert typed("batch", "run", "--event", event.paths.root) == 1
    told = capsys.readouterr()
    assert "1 of 2 pictures are made, 1 failed" in told.out
    assert "0001  failed: the stored frame" in told.out

    # A run alone does not try for ever what cannot succeed.
    assert typed("batch", "run", "--event", event.paths.root) == 1
    assert load_shot(event, ids[0]).render == 1
    picture = event.paths.pictures / "0002-Mira-Tallow.jpg"
    picture.unlink()
    assert typed("batch", "status", "--event", event.paths.root) == 0
    assert "no longer there" in capsys.readouterr().out

    frame.write_bytes(whole)
    words = ["--again", "failed", "--again", "2"]
    assert typed("batch", "run", "--event", event.paths.root, *words) == 0
    assert typed("batch", "status", "--event", event.paths.root) == 0
    assert "0001  done: 0001-Mira-Tallow.jpg" in capsys.readouterr().out
    assert picture.is_file()


@pytest.mark.parametrize("terminal", [True, False])
def test_what_to_look_at_before_printing_is_told(
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
    terminal: bool,
) -> None:
    event = make_event(tmp_path)
    save_shot(event, without_colour(make_frame()), people=["1"], settings=SETTINGS)
    save_shot(event, make_frame(), people=["2"], settings=SETTINGS)
    monkeypatch.setattr(sys.stderr, "isatty", lambda: terminal)
    assert typed("batch", "run", "--event", event.paths.root) == 0
    assert capsys.readouterr().err.count(f"note: {NO_SCREEN}") == 1
    assert typed("batch", "status", "--event", event.paths.root) == 0
    assert capsys.readouterr().out.count(f"note: {NO_SCREEN}") == 1


def test_a_tiny_still_is_not_added(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    event = make_event(tmp_path)
    dot = tmp_path / "dot.png"
    Image.new("RGB", (1, 1), (0, 200, 0)).save(dot)
    assert typed("batch", "add", dot, "--event", event.paths.root) == 1
    assert "dot.png: is 1 x 1 pixels; a photograph needs at least 16" in capsys.readouterr().err
    assert shot_ids(event) == []


@pytest.mark.parametrize(
    ("words", "part"),
    [
        (["batch", "status", "--event", "nowhere"], "no folder"),
        (["batch", "run", "--again", "7"], "no shot '7'"),
        (["batch", "run", "--device", "toaster"], "toaster"),
        (["batch", "run", "--device", "meta"], "cannot make pictures on 'meta'"),
        (["batch", "add", "a.jpg", "--person", "zz"], "nobody"),
        (["batch", "add", "a.jpg", "--person", "e"], "fits"),
        (["batch", "add", "a.jpg", "--template", "dune"], "no template 'dune'"),
        (["batch", "add", "a.jpg", "--plate", "none.jpg"], "none.jpg"),
        (["event", "new", ".", "--name", "x"], "not empty"),
        (["event", "new", "new", "--name", "x", "--roster", "none.csv"], "none.csv"),
    ],
)
def test_mistakes_are_one_sentence(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, words: list[str], part: str
) -> None:
    event = make_event(tmp_path)
    monkeypatch.chdir(event.paths.root)
    with pytest.raises(UserError, match=part) as caught:
        typed(*words)
    assert "\n" not in str(caught.value)
    assert shot_ids(Event.open(event.paths.root)) == []


def test_of_several_stills_the_best_is_one_shot(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    event = make_event(tmp_path)
    paths = stills(tmp_path / "card", sharp=1, blurs=(4.0, 0.0, 2.0))
    words: list[str | Path] = ["--best", "--person", "1", "--event", event.paths.root]
    assert typed("batch", "add", *paths, *words) == 0
    told = capsys.readouterr()
    assert told.out.startswith("added as shot 0001: IMG_0001.png: ")
    assert "3 of 3 stills looked at" in told.err
    (shot_id,) = shot_ids(event)
    shot = load_shot(event, shot_id)
    assert (event.paths.shots / shot_id / shot.frame).read_bytes() == paths[1].read_bytes()
    assert typed("batch", "add", *paths, *words) == 0
    assert capsys.readouterr().out == "these stills are shot 0001 already\n"
    with pytest.raises(UserError, match="got 1 different file"):
        typed("batch", "add", paths[0], *words)
