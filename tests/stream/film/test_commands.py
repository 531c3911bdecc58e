"""`posewall greet` as a person types it, and how greetings stand in `batch`."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import av
import pytest

from stream.batch.telling import Progress
from stream.cli import main
from stream.event import Event
from stream.film.owner import film_owner
from stream.take import find_take, rewrite_take, take_ids
from tests.stream.batch.clips import add_take, make_clip
from tests.stream.batch.scenario import make_still, make_template

pytestmark = pytest.mark.usefixtures("small_films")


def typed(*words: str | Path) -> int:
    return main([str(w) for w in words])


def frames(path: Path) -> int:
    with av.open(str(path)) as container:
        return sum(1 for _ in container.decode(video=0))


def test_from_a_clip_to_a_greeting_and_one_more(
    event: Event, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    clip, here = make_clip(tmp_path / "anna.mp4"), ("--event", event.paths.root)
    assert typed("greet", clip, "--person", "mira", "--to", "0.24", *here) == 0
    told = capsys.readouterr()
    assert "1/1 anna.mp4 added as take t0001" in told.out
    film = event.paths.films / "t0001-Mira-Tallow-wide.mp4"
    assert f"t0001: {film}" in told.out
    assert "1/1 t0001  done: t0001-Mira-Tallow-wide.mp4" in told.err
    assert frames(film) == 6
    assert find_take(event, "1").people == ("1",)

    # Once more, for somebody else, by another design and from another second.
    make_template(event.paths.templates / "shore")
    words = ["--person", "2", "--template", "shore", "--from", "0.1", "--to", "0.3"]
    assert typed("greet", "t1", *words, *here) == 0
    take = find_take(event, "1")
    assert (take.template, take.begin_s, take.end_s) == ("shore", 0.1, 0.3)
    names = sorted(p.name for p in event.paths.films.iterdir())
    assert names == ["t0001-Jon-Fenwick-wide.jpg", "t0001-Jon-Fenwick-wide.mp4"]
    assert film_owner(event.paths.films / names[1]) == take.unique
    assert frames(event.paths.films / names[1]) == 5


def test_how_greetings_stand(event: Event, capsys: pytest.CaptureFixture[str]) -> None:
    here = ("--event", event.paths.root)
    add_take(event, frames=6)
    assert typed("greet", "1", "--no-wait", *here) == 0
    assert "take t0001; 'batch run' makes t0001-Mira-Tallow-wide.mp4" in capsys.readouterr().out
    assert typed("batch", "status", *here) == 0
    told = capsys.readouterr()
    assert "1 take; 1 waiting." in told.out
    assert "  t0001  waiting" in told.out
    assert typed("batch", "run", *here) == 0
    told = capsys.readouterr()
    assert told.out == "1 of 1 greetings are made, 0 failed.\n"
    (event.paths.films / "t0001-Mira-Tallow-wide.mp4").unlink()
    assert typed("batch", "status", *here) == 0
    told = capsys.readouterr()
    assert "  t0001  done: t0001-Mira-Tallow-wide.mp4\n" in told.out
    assert "t0001-Mira-Tallow-wide.mp4 is no longer there" in told.out


def test_what_is_made_first_is_told(event: Event, capsys: pytest.CaptureFixture[str]) -> None:
    here = ("--event", event.paths.root)
    for _ in range(2):
        add_take(event, frames=2)
    assert typed("greet", "1", "--no-wait", *here) == 0
    assert "made first" not in capsys.readouterr().err
    assert typed("greet", "2", *here) == 0
    told = capsys.readouterr().err
    assert "Asked for earlier, and made first: t0001\n" in told
    assert "Nobody knows yet how long greetings take here, and 1 other is made before it.\n" in told
    # They have measured it: of the next one it can be said.
    add_take(event, frames=2)
    assert typed("batch", "status", *here) == 0
    told = capsys.readouterr().out
    assert "No program is making pictures and greetings now. Times count from when one" in told
    assert "  t0003  waiting: less than a minute\n" in told
    assert typed("greet", "3", *here) == 0
    told = capsys.readouterr().err
    assert "Expected: less than a minute.\n" in told


def test_a_take_whose_program_died_is_mended_and_told(
    event: Event, capsys: pytest.CaptureFixture[str]
) -> None:
    take = add_take(event, frames=6)
    rewrite_take(event, replace(take, recording=True, length_s=None, films=()))
    assert typed("batch", "status", "--event", event.paths.root) == 0
    told = capsys.readouterr().out
    assert "  t0001  waiting: nobody knows yet how long greetings take here\n" in told
    assert "note: the program ended while this take was recorded" in told
    assert not find_take(event, "1").recording


def test_a_failure_is_one_sentence_and_again_mends_it(
    event: Event, capsys: pytest.CaptureFixture[str]
) -> None:
    here = ("--event", event.paths.root)
    take = add_take(event, frames=6)
    media = event.paths.takes / take.id / take.file
    whole = media.read_bytes()
    media.write_bytes(b"no take")
    assert typed("greet", "1", *here) == 1
    assert "t0001  failed: " in capsys.readouterr().err
    assert typed("batch", "run", *here) == 1
    assert "0 of 1 greetings are made, 1 failed." in capsys.readouterr().out
    media.write_bytes(whole)
    assert typed("batch", "run", "--again", "failed", *here) == 0
    assert "1 of 1 greetings are made, 0 failed." in capsys.readouterr().out
    assert typed("batch", "run", "--again", "t0001", *here) == 0
    assert find_take(event, "1").render == 4


def test_stopped_in_the_middle_it_stays_queued(
    event: Event, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    add_take(event, frames=60)  # longer than it takes to look twice
    looks: list[int] = []

    def interrupted(self: Progress, *_: object) -> None:
        looks.append(1)
        if len(looks) > 1:
            raise KeyboardInterrupt

    monkeypatch.setattr(Progress, "show", interrupted)
    assert typed("greet", "1", "--event", event.paths.root) == 130
    assert "A greeting in work goes on where it stood" in capsys.readouterr().err
    monkeypatch.undo()
    assert typed("batch", "run", "--event", event.paths.root) == 0


@pytest.mark.parametrize(
    ("words", "part", "code"),
    [
        (["greet", "7"], "there is no take '7'", 1),
        (["greet", "none.mp4"], "neither a take's number nor a clip", 1),
        (["greet", "still.jpg"], "still.jpg", 1),
        (["greet", "event.toml"], "event.toml", 1),
        (["greet", "1", "--from", "9"], "give an earlier begin", 1),
        (["greet", "1", "--from", "0.2", "--to", "0.1"], "end after it begins", 1),
        (["greet", "1", "--person", "zz"], "nobody", 2),
        (["greet", "1", "--template", "dune"], "no template 'dune'", 2),
        (["greet", "1", "--plate", "none.jpg"], "none.jpg", 2),
        (["greet", "1", "--device", "toaster"], "toaster", 2),
        (["batch", "run", "--again", "t7"], "no take 't7'", 2),
    ],
)
def test_mistakes_are_one_sentence(
    event: Event,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
    words: list[str],
    part: str,
    code: int,
) -> None:
    take = add_take(event, frames=6)
    make_still(event.paths.root / "still.jpg")
    monkeypatch.chdir(event.paths.root)
    assert typed(*words) == code
    told = capsys.readouterr().err
    (sentence,) = [line for line in told.splitlines() if part in line]
    assert "Traceback" not in told
    assert sentence
    assert take_ids(event) == [take.id]
    assert find_take(event, "1") == take


@pytest.mark.parametrize("value", ["-1", "soon", "nan", "inf"])
def test_seconds_that_are_none(
    event: Event, capsys: pytest.CaptureFixture[str], value: str
) -> None:
    with pytest.raises(SystemExit):
        typed("greet", "1", f"--from={value}", "--event", event.paths.root)
    assert "need seconds from 0 on" in capsys.readouterr().err
