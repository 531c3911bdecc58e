"""Who is next, in which design, and how far moved."""

from __future__ import annotations

import threading
import time
from pathlib import Path

import pytest

from stream.errors import UserError
from stream.event import Event
from stream.live.notices import Notices
from stream.live.posing import CHOSEN, ORDERED, USUAL, Posing
from stream.live.scenes import SceneMaker
from stream.template import Nudge, Template
from tests.stream.batch.scenario import make_event, make_template

ROSTER = "number,name,order\n1,Mira Tallow,gate\n2,Jon Fenwick,\n3,Ada Quill,pier x2; gate\n"


@pytest.fixture
def event(tmp_path: Path) -> Event:
    event = make_event(tmp_path, ROSTER)
    make_template(event.paths.templates / "gate", ppi=20)
    return event


def posing_of(event: Event) -> tuple[Posing, SceneMaker]:
    posing = Posing(event, Notices(lambda _: None))
    usual = event.template("pier")
    maker = SceneMaker(usual, 50, "cpu", threading.Event(), lambda _: None)
    posing.begin(usual, maker)
    return posing, maker


def test_the_stage_shows_what_was_ordered(event: Event) -> None:
    posing, _ = posing_of(event)

    def shown() -> tuple[str, str]:
        pose = posing.pose
        assert pose.template is not None
        return pose.template.name, pose.why

    assert shown() == ("pier", USUAL)
    said = posing.choose(["1"])["sentence"]
    assert (said, shown()) == ("Next: Mira Tallow, in gate (ordered)", ("gate", ORDERED))
    posing.choose(["2"])
    assert shown() == ("pier", USUAL)
    posing.choose(["3"])
    assert shown() == ("pier", ORDERED)
    posing.show_in("gate")
    assert shown() == ("gate", CHOSEN)
    posing.choose(["2"], "gate")
    assert shown() == ("gate", CHOSEN)
    with pytest.raises(UserError, match="no template 'moon'"):
        posing.show_in("moon")
    assert shown() == ("gate", CHOSEN)


def test_moves_add_up_until_they_are_taken_back(event: Event) -> None:
    posing, _ = posing_of(event)
    posing.move(1, 0, 1)
    posing.move(1, -2, 1.5)
    assert posing.pose.moved == Nudge(2, -2, 1.5)
    assert posing.pose.nudge == Nudge(2, -2, 1.5)
    assert posing.move(0, 0, 1)["sentence"] == "As designed"
    assert posing.pose.moved == Nudge()


def test_a_scene_is_built_in_the_template_and_at_the_place(event: Event) -> None:
    posing, maker = posing_of(event)
    maker.start()
    posing.choose(["1"])
    posing.move(10, 0, 1)
    end = time.monotonic() + 10
    while maker.current is None or maker.current.nudge != Nudge(10, 0, 1):
        assert time.monotonic() < end
        time.sleep(0.01)
    setting = maker.current
    assert setting.template.name == "gate"
    assert setting.scene.size == setting.size == (50, 40)
    plain = setting.template.placement((96, 128), setting.size)
    assert setting.placement((96, 128)).dx == pytest.approx(plain.dx + 4)
    maker.close()


def test_the_later_wish_stands_however_long_the_one_before_takes(
    event: Event, monkeypatch: pytest.MonkeyPatch
) -> None:
    posing, _ = posing_of(event)
    reading, go_on = threading.Event(), threading.Event()
    real = Event.template

    def slow(self: Event, name: str | None = None) -> Template:
        if name == "gate":
            reading.set()
            assert go_on.wait(10)
        return real(self, name)

    monkeypatch.setattr(Event, "template", slow)
    first = threading.Thread(target=posing.choose, args=(["1"],))
    first.start()
    assert reading.wait(10)
    assert not posing.pose.numbers, "a press does not wait"
    then = threading.Thread(target=posing.choose, args=(["2"],))
    then.start()
    then.join(0.2)
    go_on.set()
    first.join(10)
    then.join(10)
    assert posing.pose.numbers == ("2",)


def test_a_nudge_of_the_event_that_cannot_be_is_told_and_no_press_is_lost(event: Event) -> None:
    text = event.paths.config.read_text("utf-8")
    event.paths.config.write_text(f'{text}\n[nudge]\nright = "far"\n', "utf-8")
    said: list[str] = []
    posing = Posing(Event.open(event.paths.root), Notices(said.append))
    usual = event.template("pier")
    posing.begin(usual, SceneMaker(usual, 50, "cpu", threading.Event(), lambda _: None))
    posing.move(3, 0, 1)
    assert posing.pose.nudge == Nudge(3)
    assert any("[nudge]" in s for s in said)


def test_a_template_chosen_before_all_is_ready_stays(event: Event) -> None:
    posing = Posing(event, Notices(lambda _: None))
    posing.show_in("gate")
    usual = event.template("pier")
    posing.begin(usual, SceneMaker(usual, 50, "cpu", threading.Event(), lambda _: None))
    assert posing.pose.template is not None
    assert (posing.pose.template.name, posing.pose.why) == ("gate", CHOSEN)
