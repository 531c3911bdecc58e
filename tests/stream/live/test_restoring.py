"""Who was next when the program ended, where the event cannot be read at once."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from stream.errors import UserError
from stream.event import Event
from stream.live.pose import CHOSEN, ORDERED, USUAL
from stream.live.posing import GONE_S
from stream.people.upcoming import Upcoming, keep_upcoming, upcoming
from tests.stream.batch.scenario import make_event, make_template
from tests.stream.live.test_posing import ROSTER, Start, write_roster

NOBODY: tuple[tuple[str, ...], str, str] = ((), "pier", USUAL)


@pytest.fixture
def event(tmp_path: Path) -> Event:
    event = make_event(tmp_path, ROSTER)
    make_template(event.paths.templates / "gate", ppi=20)
    return event


def kept(event: Event, *people: str, template: str | None = None) -> bytes:
    keep_upcoming(event.paths, Upcoming(people, template, datetime.now(UTC)))
    return event.paths.upcoming.read_bytes()


def unreadable(event: Event) -> Callable[[], None]:
    """Two rosters, until what this gives is called."""
    other = event.paths.root / "roster.xlsx"
    other.write_bytes(b"another")
    return other.unlink


def half_saved(event: Event) -> Callable[[], None]:
    write_roster(event, ROSTER[: ROSTER.index("1,Mira")])
    return lambda: write_roster(event, ROSTER)


@pytest.mark.parametrize("harm", [unreadable, half_saved])
def test_a_roster_that_cannot_be_read_at_the_start_is_waited_for(
    event: Event, harm: Callable[[Event], Callable[[], None]]
) -> None:
    before = kept(event, "1", "2")
    mend = harm(event)
    start = Start(event)
    assert start.begin() == NOBODY
    start.posing.tend()
    start.posing.move(3, 0, 1)
    assert start.shown == NOBODY
    assert event.paths.upcoming.read_bytes() == before
    mend()
    start.posing.tend()
    assert start.shown == (("1", "2"), "gate", ORDERED)
    assert start.posing.pose.moved.right == 3
    assert [s for s in start.notices.now() if "before the program ended: numbers 1, 2. " in s]
    assert event.paths.upcoming.read_bytes() == before


def test_who_is_chosen_meanwhile_stays(event: Event) -> None:
    kept(event, "1")
    mend = half_saved(event)
    start = Start(event)
    start.begin()
    with pytest.raises(UserError):
        start.posing.choose(["2"], "moon")
    assert event.paths.upcoming.exists(), "who cannot be shown is not chosen"
    start.posing.choose([])
    assert not event.paths.upcoming.exists()
    mend()
    start.posing.tend()
    assert start.shown == NOBODY
    start.posing.choose(["2"])
    start.posing.tend()
    assert start.shown[0] == ("2",)


def test_a_design_that_is_chosen_meanwhile_is_theirs(event: Event) -> None:
    before = kept(event, "2")
    mend = unreadable(event)
    start = Start(event)
    start.begin()
    start.posing.show_in("gate")
    assert event.paths.upcoming.read_bytes() == before
    mend()
    start.posing.tend()
    assert start.shown == (("2",), "gate", CHOSEN)
    now = upcoming(event.paths)
    assert now is not None
    assert (now.people, now.template) == (("2",), "gate")


def test_who_stays_off_the_roster_is_not_waited_for(event: Event) -> None:
    kept(event, "1", "9")
    start = Start(event)
    assert start.begin() == NOBODY
    start.clock_s += 2 * GONE_S
    start.posing.tend()
    assert start.shown[0] == ("1",)
    now = upcoming(event.paths)
    assert now is not None
    assert now.people == ("1",)


def test_a_design_that_cannot_be_shown_loses_nobody(event: Event) -> None:
    before = kept(event, "2", template="gate")
    away = event.paths.root / "away"
    (event.paths.templates / "gate").rename(away)
    start = Start(event)
    assert start.begin() == (("2",), "pier", USUAL)
    assert any("gate" in s for s in start.said)
    start.posing.tend()
    assert event.paths.upcoming.read_bytes() == before
    away.rename(event.paths.templates / "gate")
    assert Start(event).begin() == (("2",), "gate", CHOSEN)
    start.posing.choose(["3"])
    now = upcoming(event.paths)
    assert now is not None
    assert (now.people, now.template) == (("3",), None)


def test_what_was_said_before_the_clock_was_set_back_expires(event: Event) -> None:
    keep_upcoming(event.paths, Upcoming(("1",), None, datetime.now(UTC) + timedelta(days=300)))
    assert Start(event).begin() == NOBODY
    assert not event.paths.upcoming.exists()
