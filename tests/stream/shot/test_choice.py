"""The best frame of a shot: chosen, kept with its runners-up, another taken, all of it let go."""

from __future__ import annotations

import json
import subprocess
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from PIL import Image

from models.keyer import KeySettings
from stream.best import Judged, Ranking
from stream.config import EventError
from stream.durable import PARTIAL
from stream.errors import UserError
from stream.event import Event
from stream.own_process import begin
from stream.shot import (
    ShotError,
    change_shot,
    load_frame,
    load_shot,
    save_shot,
    settle,
    sweep_leftovers,
)
from stream.shot.burst import Burst, lay_down
from stream.shot.changes import CHOICE_MISSED
from stream.shot.choice import (
    CHOICE_RECORD,
    MOST_KEPT,
    PAINT_DROPPED,
    STRIP,
    Candidate,
    kept_runners,
    load_choice,
    sweep_runners,
    take_candidate,
)
from stream.shot.chooser import choose, placed
from stream.shot.record import Shot
from tests.stream.shot.bursts import burst, same

SETTINGS = KeySettings()
SOON = datetime.now(UTC) + timedelta(minutes=10)
SHARP, PRESS = 3, 6
PATIENCE_S = 300.0


def pressed(event: Event, **more: object) -> tuple[Shot, Path]:
    """A shot that waits for the choice among eight frames, of which the fourth is sharp."""
    frames = burst(SHARP)
    shot = save_shot(event, frames[PRESS], settings=SETTINGS, choice_until=SOON)
    return shot, lay_down(event, shot, frames)


def chosen(event: Event) -> Shot:
    """A shot whose best frame was chosen."""
    shot, folder = pressed(event)
    told: list[tuple[int, int]] = []
    shot = choose(event, shot.id, folder, lambda done, of: told.append((done, of)))
    assert told[-1] == (8, 8)
    return shot


def keep(event: Event, words: str) -> None:
    path = event.paths.config
    text = path.read_text("utf-8").split("[best]")[0]
    path.write_text(f"{text}\n[best]\nkeep = {words}\n", "utf-8")


def files(event: Event, shot: Shot) -> set[str]:
    return {p.name for p in (event.paths.shots / shot.id).iterdir()}


def test_frames_are_laid_down_as_they_are_and_read_one_by_one(event: Event) -> None:
    frames = burst(SHARP)
    shot = save_shot(event, frames[PRESS], settings=SETTINGS, choice_until=SOON)
    folder = lay_down(event, shot, frames)
    assert folder.parent == event.paths.shots / shot.id
    assert folder.name.startswith(PARTIAL)  # so that it is swept where nobody comes back to it
    found = Burst.open(folder, load_frame(event, shot))
    assert len(found) == 8
    assert all(same(a, b) for a, b in zip(found, frames, strict=True))
    assert [f.arrived_s - found[PRESS].arrived_s for f in found] == pytest.approx(
        [(n - PRESS) / 30 for n in range(8)], abs=1e-3
    )
    assert len(found[2:5]) == 3
    assert found[2:5][0].index == 2


def test_the_best_frame_becomes_the_shot_and_the_others_stay(event: Event) -> None:
    shot = chosen(event)
    frames = burst(SHARP)
    assert shot.choice_until is None
    assert same(load_frame(event, shot), frames[SHARP])
    assert (shot.picture, shot.render, shot.earlier) == (load_shot(event, shot.id).picture, 1, ())
    choice = load_choice(event, shot.id)
    assert choice is not None
    assert (choice.looked_at, len(choice.candidates)) == (8, 1 + MOST_KEPT)
    best, *others = choice.candidates
    assert "sharpest" in best.reasons
    assert best.words.startswith("0.1 s before: ")
    assert sum(c.press for c in choice.candidates) == 1
    assert all(c.reasons for c in choice.candidates)
    # Each of them can be read as it was.
    for one in others:
        again = replace(shot, frame=one.file, sha256=one.sha256, pts=one.pts, index=one.index)
        assert same(load_frame(event, again), frames[one.index])
        with Image.open(event.paths.shots / shot.id / one.view) as view:
            assert view.size == (320, 180)  # so small, no face was found: all of it
    told = json.loads((event.paths.shots / shot.id / CHOICE_RECORD).read_text("utf-8"))
    assert [f["in_use"] for f in told["frames"]] == [True] + [False] * MOST_KEPT
    with Image.open(event.paths.shots / shot.id / STRIP) as strip:
        assert strip.format == "JPEG"
    assert not [n for n in files(event, shot) if n.startswith(PARTIAL)]


def ranked(order: Sequence[int]) -> Ranking:
    judged = tuple(Judged(1, ("fine",), 0, 0.0, {}) for _ in order)
    return Ranking(tuple(order), judged)


@pytest.mark.parametrize(
    ("count", "press", "expect"),
    [
        (5, 0, (4, 3, 2, 1, 0)),
        (5, None, (4, 3, 2, 1, 0)),
        (2, 0, (4, 3, 0)),
        (2, None, (4, 3, 2)),
        (2, 3, (4, 3, 2)),
        (2, 4, (4, 3, 2)),
        (1, 0, (4, 0)),
        (0, 0, (4, 0)),  # until the choice is safe
        (0, 4, (4,)),
    ],
)
def test_the_frame_of_the_press_is_always_kept(
    count: int, press: int | None, expect: tuple[int, ...]
) -> None:
    assert placed(ranked((4, 3, 2, 1, 0)), count, press) == expect


@pytest.mark.parametrize(
    ("before_s", "press", "name", "words"),
    [
        (0.0, True, "", "at the press: sharpest"),
        (1.25, False, "", "1.2 s before: sharpest"),
        (0.033, False, "", "0.03 s before: sharpest"),
        (-0.04, False, "", "0.04 s after: sharpest"),
        (None, False, "IMG_1.JPG", "IMG_1.JPG: sharpest"),
    ],
)
def test_each_frame_says_when_it_was_and_why(
    before_s: float | None, press: bool, name: str, words: str
) -> None:
    one = Candidate("a.mkv", "", "a.jpg", ("sharpest",), {}, press, before_s, name)
    assert one.words == words


def test_another_frame_makes_another_picture_and_the_earlier_one_stays(event: Event) -> None:
    shot = chosen(event)
    choice = load_choice(event, shot.id)
    assert choice is not None
    second = choice.candidates[1]
    now = take_candidate(event, shot.id, 2)
    assert now == load_shot(event, shot.id)
    assert (now.frame, now.sha256, now.index) == (second.file, second.sha256, second.index)
    assert (now.render, now.picture != shot.picture) == (2, True)
    assert [(e["frame"], e["picture"]) for e in now.earlier] == [(shot.frame, shot.picture)]
    told = json.loads((event.paths.shots / shot.id / CHOICE_RECORD).read_text("utf-8"))
    assert [f["place"] for f in told["frames"] if f["in_use"]] == [2]
    assert take_candidate(event, shot.id, 2) == now  # it is in use already
    for place in (0, 7, -1):
        with pytest.raises(ShotError, match="no frame"):
            take_candidate(event, shot.id, place)


def test_what_was_painted_over_one_frame_does_not_count_for_another(
    event: Event, tmp_path: Path
) -> None:
    shot = chosen(event)
    mask = tmp_path / "mask.png"
    Image.new("LA", (320, 180), (255, 255)).save(mask)
    painted = change_shot(event, shot.id, mask=mask)
    assert painted.mask
    now = take_candidate(event, shot.id, 2)
    assert (now.mask, PAINT_DROPPED in now.notes) == (None, True)
    assert now.earlier[-1]["mask"] == painted.mask


def test_a_damaged_frame_is_not_taken(event: Event) -> None:
    shot = chosen(event)
    choice = load_choice(event, shot.id)
    assert choice is not None
    path = event.paths.shots / shot.id / choice.candidates[1].file
    path.write_bytes(path.read_bytes()[:-1] + b"x")
    with pytest.raises(UserError, match="damaged"):
        take_candidate(event, shot.id, 2)
    assert load_shot(event, shot.id) == shot


def test_nothing_is_chosen_twice_or_before_its_time(event: Event) -> None:
    plain = save_shot(event, burst(0)[0], settings=SETTINGS)
    with pytest.raises(ShotError, match="no other frames"):
        take_candidate(event, plain.id, 1)
    shot, _ = pressed(event)
    with pytest.raises(ShotError, match="being chosen"):
        take_candidate(event, shot.id, 1)


def test_a_choice_that_comes_too_late_is_another_picture(event: Event) -> None:
    """The worker, or the next start, gave the wait up: the press's frame was queued by then."""
    shot, folder = pressed(event)
    given_up = settle(event, shot.id)
    assert (given_up.choice_until, given_up.notes) == (None, (CHOICE_MISSED,))
    assert given_up.frame == shot.frame
    now = choose(event, shot.id, folder, lambda *_: None)
    assert same(load_frame(event, now), burst(SHARP)[SHARP])
    assert (now.render, now.notes) == (2, ())
    assert now.earlier[0]["picture"] == shot.picture != now.picture


def test_without_its_frames_the_shot_stays_as_it_was_pressed(event: Event) -> None:
    shot, folder = pressed(event)
    (folder / "004.npy").unlink()
    with pytest.raises((UserError, OSError)):
        choose(event, shot.id, folder, lambda *_: None)
    assert load_shot(event, shot.id) == shot
    assert load_choice(event, shot.id) is None
    assert not folder.exists()


@pytest.mark.parametrize(("words", "count"), [("true", 5), ("false", 0), ("3", 3), ("0", 0)])
def test_the_event_says_how_many_stay(event: Event, words: str, count: int) -> None:
    keep(event, words)
    shot = chosen(event)
    choice = load_choice(event, shot.id)
    assert choice is not None
    assert len(choice.candidates) == 1 + count
    kept = {c.file for c in choice.candidates}
    assert {n for n in files(event, shot) if n.endswith(".mkv")} == kept
    assert ("frame.mkv" in kept) == (count > 0)  # the one of the press
    # What was refused leaves no picture of anybody.
    assert {n for n in files(event, shot) if n.endswith(".jpg")} - {STRIP} == (
        {c.view for c in choice.candidates} | ({"view.jpg"} if count else set())
    )
    load_frame(event, shot)


def test_what_the_event_does_not_want_any_more_goes_and_what_is_used_stays(event: Event) -> None:
    shot = chosen(event)
    now = take_candidate(event, shot.id, 4)
    assert sweep_runners(event) == 0
    keep(event, "1")
    assert sweep_leftovers(event) == 0
    choice = load_choice(event, shot.id)
    assert choice is not None
    # The best and one more; and the fourth, which the picture is made of.
    assert [c.file for c in choice.candidates][2:] == [now.frame]
    assert choice.candidates[0].file == now.earlier[0]["frame"]
    assert STRIP not in files(event, shot)
    load_frame(event, load_shot(event, shot.id))


@pytest.mark.parametrize("words", ["6", "-1", '"all"', "1.5"])
def test_what_cannot_be_meant_keeps_all(event: Event, words: str) -> None:
    keep(event, words)
    with pytest.raises(EventError, match=r"\[best\]: keep is"):
        kept_runners(event)
    shot = chosen(event)
    choice = load_choice(event, shot.id)
    assert choice is not None
    assert len(choice.candidates) == 1 + MOST_KEPT


def test_the_process_that_chooses_tells_how_far_it_is(event: Event) -> None:
    shot, folder = pressed(event)
    words = str(event.paths.root), shot.id, str(folder)
    with begin("stream.shot.chooser", *words, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        told = process.stdout.read().splitlines()
        assert process.wait(PATIENCE_S) == 0, told
    assert told[-1] == "8 8"
    assert load_shot(event, shot.id).index == SHARP


def test_it_ends_with_the_program_that_began_it(event: Event) -> None:
    shot, folder = pressed(event)
    words = str(event.paths.root), shot.id, str(folder)
    with begin("stream.shot.chooser", *words, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdin is not None
        process.stdin.close()  # as the system does for a program that died
        assert process.wait(PATIENCE_S) != 0
    assert load_shot(event, shot.id) == shot
    assert settle(event, shot.id).frame == shot.frame
