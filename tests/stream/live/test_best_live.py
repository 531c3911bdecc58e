"""The best frame of the last seconds, in a live program of its own."""

from __future__ import annotations

from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import pytest

from stream.event import Event
from stream.live.link import ask
from stream.shot import load_frame, load_shot, shot_ids
from stream.shot.changes import CHOICE_MISSED
from stream.shot.choice import load_choice
from tests.stream.live.evening import LiveProcess, make_clip, make_event, record
from tests.stream.pages.chromium import Chromium

STANDS = ("state", "place", "frames")


@pytest.fixture(scope="module")
def clip(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make_clip(tmp_path_factory.mktemp("clip") / "walk.mp4")


@pytest.fixture(scope="module")
def running(tmp_path_factory: pytest.TempPathFactory, clip: Path) -> Iterator[LiveProcess]:
    """One live program for the tests that only use it."""
    event = make_event(tmp_path_factory.mktemp("running"))
    with LiveProcess(event, clip, "--preview-height", "180") as live:
        until_enough(live)
        yield live


def until_enough(live: LiveProcess) -> None:
    """Wait until there are frames to choose from."""
    live.until(lambda: live.state()["pictures"] > 12)


def row(live: LiveProcess, shot_id: str) -> dict[str, Any]:
    return next(dict(s) for s in live.state()["shots"] if s["id"] == shot_id)


def assert_chosen(event: Event, shot_id: str) -> None:
    """The shot is made of the first of its frames, and every one can be read."""
    shot, choice = load_shot(event, shot_id), load_choice(event, shot_id)
    assert choice is not None
    assert shot.choice_until is None
    assert choice.place(shot.frame) == 1
    assert 2 <= len(choice.candidates) <= 6 <= choice.looked_at <= 24
    assert sum(c.press for c in choice.candidates) == 1
    load_frame(event, shot)


def test_fewer_seconds_than_were_asked_for_are_said(running: LiveProcess) -> None:
    done = running.command("grab", "--best", "--seconds", "20")
    assert done.returncode == 0, done.stderr
    assert "20 s were asked for, but no more than that is remembered" in done.stderr
    assert_chosen(running.event, done.stdout.split()[0])


def test_the_command_prints_the_shot_and_then_the_choice(running: LiveProcess) -> None:
    running.command("next", "31")
    done = running.command("grab", "--best", "--seconds", "1.5")
    assert done.returncode == 0, done.stderr
    shot_id, chosen = done.stdout.splitlines()
    assert_chosen(running.event, shot_id)
    assert " of " in chosen
    choice = load_choice(running.event, shot_id)
    assert choice is not None
    assert choice.candidates[0].words in chosen
    assert all(-0.2 < (c.before_s or 0.0) <= 1.6 for c in choice.candidates)
    assert load_shot(running.event, shot_id).people == ("31",)
    seen = ("done", 1, len(choice.candidates))
    running.until(lambda: tuple(row(running, shot_id)[k] for k in STANDS) == seen)
    listed = running.command("best", shot_id.split("-")[0])
    lines = listed.stdout.splitlines()
    assert len(lines) == len(choice.candidates)
    assert [line.split()[0] for line in lines] == [str(n + 1) for n in range(len(lines))]
    assert ["in use" in line for line in lines] == [True] + [False] * (len(lines) - 1)


def test_a_second_press_meanwhile_is_kept_and_chosen_as_well(running: LiveProcess) -> None:
    with ThreadPoolExecutor(2) as pool:
        answers = list(pool.map(lambda _: ask(running.link, "/grab", {"best_s": 1}), range(2)))
    plain = ask(running.link, "/grab", {})  # neither waits for the other
    assert "best" not in plain
    for answer in answers:
        assert answer["best"], answer
        running.until(lambda a=answer: not running_choice(running, a["shot"]))
        assert_chosen(running.event, answer["shot"])
    assert len({a["shot"] for a in answers} | {plain["shot"]}) == 3


def running_choice(live: LiveProcess, shot_id: str) -> bool:
    return bool(ask(live.link, f"/best?shot={shot_id}")["choosing"])


def test_a_key_of_the_terminal_and_another_frame_by_command(running: LiveProcess) -> None:
    before = set(shot_ids(running.event))
    running.press("b")
    running.until(lambda: set(shot_ids(running.event)) - before)
    (shot_id,) = set(shot_ids(running.event)) - before
    running.until(lambda: f"Kept {shot_id}" in running.said)
    # Not while it is still open.
    running.until(lambda: not running_choice(running, shot_id))
    number = shot_id.split("-")[0]
    first = load_shot(running.event, shot_id)
    done = running.command("best", number, "--use", "2")
    assert done.returncode == 0, done.stderr
    assert done.stdout == f"Shot {shot_id} is made of its frame 2\n"
    now = load_shot(running.event, shot_id)
    assert (now.render, now.picture != first.picture) == (2, True)
    running.until(lambda: row(running, shot_id)["place"] == 2)
    running.until(lambda: (running.event.paths.pictures / now.picture).is_file())
    refused = running.command("best", number, "--use", "9")
    assert (refused.returncode, "has no frame 9" in refused.stderr) == (2, True)
    assert running.command("best", "999").returncode == 2
    assert running.command("grab", "--seconds", "1").returncode == 2


@pytest.mark.browser
def test_a_click_on_the_desk_takes_another_frame(running: LiveProcess) -> None:
    with Chromium() as chromium:
        desk = chromium.tab()
        desk.size(1280, 1600)
        desk.go(f"http://127.0.0.1:{running.link.port}/desk")
        desk.until("document.getElementById('source').className === 'live'")
        desk.click("best")
        answer = "document.getElementById('answer').textContent"
        shot_id = desk.until(f"/^Kept .* is being chosen$/.test({answer}) && {answer}").split()[1]
        shot_id = shot_id.rstrip(",;")
        running.until(lambda: not running_choice(running, shot_id))
        frames = "document.querySelectorAll('#shots li:first-child .frame')"
        desk.until(f"{frames}.length > 1")
        desk.until(f"[...{frames}].every(f => f.querySelector('img')?.naturalWidth > 0)")
        desk.run(f"{frames}[1].click()")
        desk.until(f"{frames}[1]?.ariaPressed === 'true'")
    choice, shot = load_choice(running.event, shot_id), load_shot(running.event, shot_id)
    assert choice is not None
    assert choice.place(shot.frame) == 2


def test_what_dies_before_the_choice_has_the_frame_of_the_press_and_what_ends_chooses_first(
    tmp_path: Path, clip: Path
) -> None:
    event = make_event(tmp_path)
    with LiveProcess(event, clip, "--no-batch", "--preview-height", "180") as live:
        live.until_live()
        shot_id = ask(live.link, "/grab", {"best_s": 1})["shot"]
        live.process.kill()
        live.process.wait(30)
    pressed = record(event, shot_id)
    assert pressed["choice_until"] is not None
    assert pressed["frame"] == "frame.mkv"
    load_frame(event, load_shot(event, shot_id))
    with LiveProcess(event, clip, "--preview-height", "180") as live:
        live.until(lambda: record(event, shot_id)["choice_until"] is None)
        shot = load_shot(event, shot_id)
        assert (shot.frame, shot.notes) == ("frame.mkv", (CHOICE_MISSED,))
        live.until(lambda: row(live, shot_id)["state"] == "done")
        assert (event.paths.pictures / shot.picture).is_file()
        # Ending it finishes the choice first.
        until_enough(live)
        shot_id = ask(live.link, "/grab", {"best_s": 1})["shot"]
        live.press("q")
        assert live.process.wait(120) == 0, live.said
    assert record(event, shot_id)["choice_until"] is None
