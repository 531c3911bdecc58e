"""One shot of the best of several stills."""

from __future__ import annotations

from pathlib import Path

import cv2
import pytest

from models.keyer import KeySettings
from stream.errors import UserError
from stream.event import Event
from stream.shot import load_frame, load_shot, shot_ids
from stream.shot.best_still import MOST_STILLS, add_best
from stream.shot.choice import load_choice, take_candidate
from tests.stream.shot.bursts import scene, stills

SETTINGS = KeySettings()


def test_the_sharp_one_is_the_shot_and_another_may_be_taken(event: Event, tmp_path: Path) -> None:
    paths = stills(tmp_path / "card", sharp=2)
    told: list[tuple[int, int]] = []
    shot, new = add_best(
        event, paths, people=["1"], settings=SETTINGS, seen=lambda *s: told.append(s)
    )
    assert (new, told[-1], shot.people) == (True, (5, 5), ("1",))
    folder = event.paths.shots / shot.id
    assert (folder / shot.frame).read_bytes() == paths[2].read_bytes()
    assert shot.original == shot.frame
    choice = load_choice(event, shot.id)
    assert choice is not None
    assert choice.candidates[0].words.startswith("IMG_0002.png: ")
    assert {c.name for c in choice.candidates} == {p.name for p in paths}
    assert add_best(event, paths, people=["1"], settings=SETTINGS) == (shot, False)
    assert shot_ids(event) == [shot.id]
    now = take_candidate(event, shot.id, 2)
    second = next(p for p in paths if p.name == choice.candidates[1].name)
    assert (folder / now.frame).read_bytes() == second.read_bytes()
    assert (now.original, now.render) == (now.frame, 2)
    assert load_frame(event, load_shot(event, shot.id)).upright_size == (240, 360)


def test_only_stills_of_one_moment_make_one_shot(event: Event, tmp_path: Path) -> None:
    paths = stills(tmp_path / "card", sharp=0, blurs=(1.0, 2.0))
    for few in ([paths[0]], [paths[0], paths[0]]):
        with pytest.raises(UserError, match="got 1 different file"):
            add_best(event, few, settings=SETTINGS)
    with pytest.raises(UserError, match="check the path"):
        add_best(event, [*paths, tmp_path / "none.jpg"], settings=SETTINGS)
    other = tmp_path / "other.png"
    cv2.imwrite(str(other), scene((120, 200), 0.0))
    with pytest.raises(UserError, match="200 x 120"):
        add_best(event, [*paths, other], settings=SETTINGS)
    broken = tmp_path / "broken.png"
    broken.write_bytes(paths[0].read_bytes()[:400])
    with pytest.raises(UserError):
        add_best(event, [*paths, broken], settings=SETTINGS)
    many = []
    for n in range(MOST_STILLS + 1):
        many.append(tmp_path / f"{n}.png")
        many[-1].write_bytes(bytes([n]))
    with pytest.raises(UserError, match="2 to"):
        add_best(event, many, settings=SETTINGS)
    assert shot_ids(event) == []
    assert not list(event.paths.shots.iterdir())
