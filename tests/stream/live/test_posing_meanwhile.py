"""Who is next while templates are slow, edited, or cannot be used."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from stream.errors import UserError
from stream.event import Event
from stream.live.lately import Lately
from stream.live.notices import Notices
from stream.live.pose import CHOSEN, USUAL
from stream.live.posing import Posing
from stream.live.scenes import SceneMaker
from stream.shot import save_shot
from stream.template import Nudge, Template
from tests.stream.batch.scenario import SETTINGS, make_event, make_frame, make_template

ROSTER = "number,name,order,no name\n1,Mira Tallow,gate,\n2,Jon Fenwick,,\n3,Zora Quill,,yes\n"


@pytest.fixture
def event(tmp_path: Path) -> Event:
    event = make_event(tmp_path, ROSTER)
    make_template(event.paths.templates / "gate", ppi=20)
    return event


@pytest.fixture
def said() -> list[str]:
    return []


@pytest.fixture
def posing(event: Event, said: list[str]) -> Posing:
    posing = Posing(event, Notices(said.append))
    begin(posing, event)
    return posing


def begin(posing: Posing, event: Event) -> None:
    usual = event.template("pier")
    posing.begin(usual, SceneMaker(usual, 50, "cpu", threading.Event(), lambda _: None))


class SlowGate:
    """Reading the template 'gate' takes as long as the test wants."""

    def __init__(self, event: Event, monkeypatch: pytest.MonkeyPatch) -> None:
        self.asked, self.go = threading.Event(), threading.Event()
        plain = event.template

        def slow(name: str | None = None) -> Template:
            if name == "gate":
                self.asked.set()
                assert self.go.wait(20)
            return plain(name)

        monkeypatch.setattr(event, "template", slow)

    def meanwhile(self, first: Callable[[], object], then: Callable[[], object]) -> bool:
        """Do both, the first first; whether the second had to wait for it."""
        threads = [threading.Thread(target=what) for what in (first, then)]
        threads[0].start()
        assert self.asked.wait(10)
        threads[1].start()
        threads[1].join(0.5)
        waited = threads[1].is_alive()
        self.go.set()
        for thread in threads:
            thread.join(20)
        return waited


def test_who_was_named_last_is_next(
    event: Event, posing: Posing, monkeypatch: pytest.MonkeyPatch
) -> None:
    slow = SlowGate(event, monkeypatch)
    slow.meanwhile(lambda: posing.choose(["1"]), lambda: posing.choose(["2"]))
    assert posing.pose.numbers == ("2",)


def test_a_move_counts_while_a_template_is_read(
    event: Event, posing: Posing, monkeypatch: pytest.MonkeyPatch
) -> None:
    slow = SlowGate(event, monkeypatch)
    slow.meanwhile(lambda: posing.show_in("gate"), lambda: posing.move(1, 0, 1))
    assert posing.pose.moved == Nudge(right=1)
    assert posing.pose.template is not None
    assert posing.pose.template.name == "gate"


def test_a_press_waits_for_no_template(
    event: Event, posing: Posing, monkeypatch: pytest.MonkeyPatch
) -> None:
    slow = SlowGate(event, monkeypatch)
    seen: list[object] = []
    assert not slow.meanwhile(
        lambda: posing.choose(["1"]), lambda: seen.extend([posing.pose, posing.state()])
    )
    assert len(seen) == 2


def test_what_was_chosen_stays_for_the_same_people(posing: Posing) -> None:
    posing.choose(["2"])
    posing.show_in("gate")
    posing.choose(["2"])
    assert posing.pose.why == CHOSEN
    posing.choose(["3"])
    assert posing.pose.why == USUAL


def test_what_was_chosen_while_the_program_got_ready_stays(event: Event) -> None:
    posing = Posing(event, Notices(lambda _: None))
    posing.choose(["2"], "gate")
    begin(posing, event)
    assert posing.state()["template"] == "gate"


def test_an_edit_of_the_event_counts_from_the_next_people_on(
    event: Event, posing: Posing, said: list[str]
) -> None:
    config = event.paths.config
    before = config.read_text("utf-8")
    config.write_text(before + "\n[nudge]\nright = 5\n", "utf-8")
    posing.choose(["2"])
    assert posing.pose.nudge == Nudge(right=5)
    posing.move(1, 0, 1)
    assert posing.pose.nudge == Nudge(right=6)
    config.write_text(before + "\n[nudge]\nright = 'far'\n", "utf-8")
    posing.choose(["3"])
    assert posing.pose.nudge == Nudge(right=6)  # as it was; and it is said
    assert any("[nudge]" in sentence for sentence in said)


def test_steps_there_and_back_leave_nothing(posing: Posing) -> None:
    posing.move(-1, 0, 1.02)
    assert posing.state()["moved"] == "1 % to the left, 2 % larger"
    posing.move(1, -3, 1 / 1.02)
    assert posing.state()["moved"] == "3 % up"
    posing.move(0, 3, 1)
    assert posing.state()["moved"] is None
    with pytest.raises(UserError, match="The nudge has scale"):
        posing.move(0, 0, 0)


def test_an_order_that_cannot_be_shown(event: Event, posing: Posing, said: list[str]) -> None:
    (event.paths.templates / "gate" / "template.toml").write_text("[picture\n", "utf-8")
    posing.choose(["1"])
    assert (posing.state()["template"], posing.pose.why) == ("pier", USUAL)
    assert any("template.toml" in sentence for sentence in said)


def test_the_operator_sees_whose_name_is_not_shown(event: Event, posing: Posing) -> None:
    posing.choose(["3"])
    save_shot(event, make_frame(), people=["3"], template="gate", settings=SETTINGS)
    save_shot(event, make_frame(), people=["2"], settings=SETTINGS)
    assert [p["no_name"] for p in posing.state()["next"]] == [True]
    usual, other = Lately(event).rows()
    assert (usual["who"], usual["template"]) == ("Jon Fenwick", "pier")
    assert (other["who"], other["template"]) == ("3 (name not shown)", "gate")


def wait_until(true: Callable[[], bool]) -> None:
    end = time.monotonic() + 20
    while not true():
        assert time.monotonic() < end
        time.sleep(0.01)


def test_it_is_said_until_the_stage_shows_who_is_next(
    event: Event, monkeypatch: pytest.MonkeyPatch
) -> None:
    stop, go = threading.Event(), threading.Event()
    usual = event.template("pier")
    plain = Template.scene

    def slow(self: Template, size: tuple[int, int], *args: Any, **more: Any) -> Any:
        if self.name == "gate":
            assert go.wait(20)
        return plain(self, size, *args, **more)

    maker = SceneMaker(usual, 50, "cpu", stop, lambda _: None)
    posing = Posing(event, Notices(lambda _: None))
    posing.begin(usual, maker)
    monkeypatch.setattr(Template, "scene", slow)
    maker.start()
    wait_until(lambda: posing.state()["ready"])
    posing.choose(["1"])
    assert not posing.state()["ready"]
    assert maker.current is not None
    assert maker.current.template.name == "pier"  # the former scene, whole
    go.set()
    wait_until(lambda: posing.state()["ready"])
    assert maker.current.template.name == "gate"
    posing.move(1, 0, 1)
    wait_until(lambda: posing.state()["ready"])
    stop.set()
    maker.close()


def test_all_templates_are_made_ready(event: Event, monkeypatch: pytest.MonkeyPatch) -> None:
    made: list[str] = []
    plain = Template.scene

    def counted(self: Template, *args: Any, **more: Any) -> Any:
        made.append(self.name)
        return plain(self, *args, **more)

    monkeypatch.setattr(Template, "scene", counted)
    stop = threading.Event()
    usual = event.template("pier")
    maker = SceneMaker(usual, 50, "cpu", stop, lambda _: None)
    posing = Posing(event, Notices(lambda _: None))
    posing.begin(usual, maker)
    maker.start()
    # In a thread, as there: it lowers the priority of its own for good.
    reader = threading.Thread(target=posing.read_templates, args=(stop,))
    reader.start()
    reader.join()
    wait_until(lambda: "gate" in made)
    assert maker.current is not None
    assert maker.current.template.name == "pier"
    stop.set()
    maker.close()
