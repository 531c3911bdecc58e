"""Who is next, in which design, and how far moved."""

from __future__ import annotations

import json
import os
import threading
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from stream.errors import UserError
from stream.event import Event
from stream.live.notices import Notices
from stream.live.pose import CHOSEN, ORDERED, USUAL
from stream.live.posing import GONE_S, KEPT_FOR, Posing
from stream.live.scenes import SceneMaker
from stream.people.upcoming import Upcoming, forget_upcoming, keep_upcoming, upcoming
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


class Start:
    """A program that is started at a time, with what it says."""

    def __init__(self, event: Event, now: datetime | None = None) -> None:
        # As a new start reads it: nothing of the one before is known.
        self.event = Event.open(event.paths.root)
        self.said: list[str] = []
        self.clock_s = 0.0
        self.notices = Notices(self.said.append)
        self.posing = Posing(
            self.event, self.notices, lambda: self.clock_s, lambda: now or datetime.now(UTC)
        )

    def begin(self) -> tuple[tuple[str, ...], str, str]:
        usual = self.event.template("pier")
        maker = SceneMaker(usual, 50, "cpu", threading.Event(), lambda _: None)
        self.posing.begin(usual, maker)
        return self.shown

    @property
    def shown(self) -> tuple[tuple[str, ...], str, str]:
        pose = self.posing.pose
        assert pose.template is not None
        return pose.numbers, pose.template.name, pose.why


def test_a_new_start_knows_who_was_next_and_says_so(event: Event) -> None:
    first = Start(event)
    assert first.begin() == ((), "pier", USUAL)
    first.posing.choose(["1", "2"])
    # What lies there has no name in it.
    text = event.paths.upcoming.read_text("utf-8")
    assert "Mira" not in text
    assert json.loads(text)["people"] == ["1", "2"]
    second = Start(event)
    assert second.begin() == (("1", "2"), "gate", ORDERED)
    (sentence,) = second.notices.now()
    assert "as before the program ended: numbers 1, 2. " in sentence
    assert not any("Mira" in s for s in second.said)
    second.posing.choose(["2"])
    assert second.notices.now() == []
    assert Start(event).begin() == (("2",), "pier", USUAL)
    second.posing.show_in("gate")
    assert Start(event).begin() == (("2",), "gate", CHOSEN)
    second.posing.choose([])
    assert not event.paths.upcoming.exists()
    assert Start(event).begin() == ((), "pier", USUAL)


def test_who_was_next_before_a_long_break_is_nobody(event: Event) -> None:
    first = Start(event)
    first.begin()
    first.posing.choose(["2"])
    later = datetime.now(UTC) + KEPT_FOR + timedelta(minutes=1)
    assert Start(event, later).begin() == ((), "pier", USUAL)
    assert not event.paths.upcoming.exists()


def test_who_was_chosen_on_the_page_before_all_is_ready_comes_first(event: Event) -> None:
    keep_upcoming(event.paths, Upcoming(("1",), None, datetime.now(UTC)))
    start = Start(event)
    start.posing.choose(["3"])
    assert start.begin()[0] == ("3",)
    assert start.notices.now() == []


@pytest.mark.parametrize(
    "text",
    ["", "{", "[]", '{"people": "1", "template": null, "said": "2026-05-31T18:00:00+02:00"}',
     '{"people": ["9"], "template": null, "said": "2026-05-31T18:00:00+02:00"}'],
)  # fmt: skip
def test_what_cannot_be_read_or_is_no_longer_there_is_nobody(event: Event, text: str) -> None:
    event.paths.upcoming.write_text(text, "utf-8")
    now = datetime(2026, 5, 31, 16, 10, tzinfo=UTC)
    assert Start(event, now).begin() == ((), "pier", USUAL)
    forget_upcoming(event.paths, "9")
    assert not event.paths.upcoming.exists()


def test_a_disk_that_takes_nothing_is_said_and_the_pose_stands(event: Event) -> None:
    start = Start(event)
    start.begin()
    event.paths.upcoming.mkdir()
    start.posing.choose(["2"])
    assert start.shown[0] == ("2",)
    assert any("who is next" in s for s in start.said)


def write_roster(event: Event, text: str) -> None:
    """Put another one in its place, surely seen as changed."""
    event.paths.roster.write_text(text, "utf-8")
    later = time.time_ns() + 5_000_000_000
    os.utime(event.paths.roster, ns=(later, later))


def test_who_is_taken_off_the_roster_is_not_next_any_more(event: Event) -> None:
    start = Start(event)
    start.begin()
    start.posing.choose(["1", "2"])
    start.posing.tend()
    write_roster(event, ROSTER.replace("1,Mira Tallow,gate\n", ""))
    start.posing.tend()
    start.clock_s += GONE_S / 2
    start.posing.tend()
    assert list(start.shown[0]) == ["1", "2"], "a roster that is being saved puts nobody out"
    start.clock_s += GONE_S
    start.posing.tend()
    assert start.shown == (("2",), "pier", USUAL)
    kept = upcoming(event.paths)
    assert kept is not None
    assert kept.people == ("2",)
    (sentence,) = [s for s in start.said if "roster" in s]
    assert sentence.startswith("Number 1 is no longer on the roster")
    write_roster(event, ROSTER)
    start.posing.tend()
    assert start.shown[0] == ("2",)


def test_a_corrected_name_is_shown_at_once(event: Event) -> None:
    start = Start(event)
    start.begin()
    start.posing.choose(["1"])
    write_roster(event, ROSTER.replace("Tallow,gate", "Tallowe,"))
    start.posing.tend()
    assert start.posing.state()["next"][0]["name"] == "Mira Tallowe"
    assert start.shown == (("1",), "pier", USUAL)


@pytest.mark.parametrize("text", ["{", "[]"])
def test_an_unreadable_file_is_gone_for_good(
    event: Event, monkeypatch: pytest.MonkeyPatch, text: str
) -> None:
    """Without fsync of the folder the name may be there again after a power cut (POSIX.1-2017)."""
    event.paths.upcoming.write_text(text, "utf-8")
    synced: list[tuple[Path, bool]] = []
    monkeypatch.setattr(
        "stream.people.upcoming.sync_folder",
        lambda folder: synced.append((folder, event.paths.upcoming.exists())),
    )
    forget_upcoming(event.paths, "1")
    forget_upcoming(event.paths, "1")
    assert synced == [(event.paths.root, False)]


def test_forgetting_takes_one_of_several_out(event: Event) -> None:
    said = datetime(2026, 5, 31, 18, 0, tzinfo=UTC)
    keep_upcoming(event.paths, Upcoming(("1", "2"), "gate", said))
    forget_upcoming(event.paths, "3")
    assert upcoming(event.paths) == Upcoming(("1", "2"), "gate", said)
    forget_upcoming(event.paths, "1")
    assert upcoming(event.paths) == Upcoming(("2",), "gate", said)
    forget_upcoming(event.paths, "2")
    assert upcoming(event.paths) == Upcoming((), "gate", said)
