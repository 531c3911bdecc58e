"""Where the sound of takes comes from: said once, and no microphone opened unasked."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path

import pytest

from models.keyer import KeySettings
from stream.capture.source import open_source
from stream.errors import UserError
from stream.event import Event
from stream.live.keeping import Keeper
from stream.live.lately import Lately
from stream.live.recording import OWN_WORDS, TOLD_FOR, LiveRecorder, SoundChoice, takes_of
from stream.take import About, PacketRing, Take, rewrite_take, sweep_takes
from tests.stream.batch import scenario
from tests.stream.batch.clips import add_take
from tests.stream.live.evening import make_clip, make_event
from tests.stream.live.test_takes_live import make_sounding_clip

DESK = [("plughw:7,0", "Desk microphone")]


@pytest.fixture
def event(tmp_path: Path) -> Event:
    return make_event(tmp_path)


def plug(monkeypatch: pytest.MonkeyPatch, found: list[tuple[str, str]]) -> None:
    monkeypatch.setattr("stream.live.recording.microphones", lambda: found)
    monkeypatch.setattr("stream.capture.microphones.microphones", lambda *_: found)


def read(path: Path, ring: PacketRing) -> None:
    source = open_source(str(path), paced=False, tap=ring)
    source.open()
    for _ in range(3):
        assert source.read() is not None
    source.close()


def test_the_sources_own_track_comes_first(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    plug(monkeypatch, DESK)
    ring, told = PacketRing(), list[str]()
    sound = SoundChoice(None, ring, told.append)
    sound.tend()
    assert (sound.decided, told) == (False, [])  # no picture yet
    read(make_sounding_clip(tmp_path / "walk.mp4", 1.0), ring)
    sound.tend()
    sound.tend()
    assert (sound.words, sound.microphone) == (OWN_WORDS, None)
    assert told == ["Takes get the sound of the source's own track."]


@pytest.mark.parametrize(
    ("wish", "found", "words", "sentence"),
    [
        (None, DESK, "microphone Desk microphone", "sound of microphone Desk microphone"),
        (None, [], "", "the source has none, and no microphone is plugged in"),
        ("own", DESK, "", "The source has no sound of its own"),
        ("none", DESK, "", "recorded without sound"),
    ],
)
def test_a_source_without_sound(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    wish: str | None,
    found: list[tuple[str, str]],
    words: str,
    sentence: str,
) -> None:
    plug(monkeypatch, found)
    ring, told = PacketRing(), list[str]()
    sound = SoundChoice(wish, ring, told.append)
    read(make_clip(tmp_path / "walk.mp4", seconds=1.0), ring)
    sound.tend()
    assert sound.words == words
    assert len(told) == 1
    assert sentence in told[0]
    # Nobody asked to be heard yet.
    assert sound.microphone is None or not sound.microphone.state().listening
    sound.close()


def test_a_microphone_that_is_not_there_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    plug(monkeypatch, DESK)
    with pytest.raises(UserError, match="0: Desk microphone"):
        SoundChoice("another", PacketRing(), list[str]().append)


def test_before_the_first_picture_it_says_so(event: Event) -> None:
    ring, ended = PacketRing(), list[Take]()
    sound = SoundChoice("none", ring, list[str]().append)
    recorder = LiveRecorder(event, ring, sound, lambda: About(KeySettings()), ended.append)
    recorder.listen()
    with pytest.raises(UserError, match="no picture yet"):
        recorder.start(0.0, 10.0)
    with pytest.raises(UserError, match="no take"):
        recorder.stop()
    assert not recorder.state().recording


def test_stills_cannot_be_recorded_and_that_is_a_sentence(event: Event, tmp_path: Path) -> None:
    from tests.stream.batch.scenario import make_still

    (tmp_path / "card").mkdir()
    make_still(tmp_path / "card" / "a.jpg")
    ring = PacketRing()
    open_source(str(tmp_path / "card"), tap=ring)
    sound = SoundChoice(None, ring, list[str]().append)
    recorder = LiveRecorder(event, ring, sound, lambda: About(KeySettings()), lambda _: None)
    with pytest.raises(UserError, match="stills"):
        recorder.start(0.0, 10.0)


def told_at_a_start(event: Event, now: datetime) -> str:
    """What a start says of takes that were cut off; empty where it says nothing."""
    ring, told = PacketRing(), list[str]()
    sound = SoundChoice("none", ring, list[str]().append)
    keeper = Keeper(told.append)
    lately = Lately(event)
    taking = takes_of(
        lambda ended: LiveRecorder(event, ring, sound, lambda: About(KeySettings()), ended),
        sound,
        event=event,
        keeper=keeper,
        lately=lately,
        tell=told.append,
        on_trouble=told.append,
        on_change=lambda: None,
        on_mended=told.append,
        now=lambda: now,
    )
    keeper.start()
    assert taking.close()
    assert keeper.close()
    lately.close()
    return " ".join(told)


def test_a_take_that_was_cut_off_is_told_whoever_settled_it(tmp_path: Path) -> None:
    event = scenario.make_event(tmp_path)
    cut = rewrite_take(event, replace(add_take(event), recording=True, length_s=None, films=()))
    later = cut.begun + timedelta(minutes=5)
    # As any command does that says how it stands.
    assert [take.id for take in sweep_takes(event)] == [cut.id]
    assert told_at_a_start(event, later).startswith(f"Take {cut.id} was cut off")
    assert told_at_a_start(event, later + TOLD_FOR) == ""
    # Who recorded another one after it knew.
    rewrite_take(event, replace(add_take(event), begun=cut.begun + timedelta(minutes=1)))
    assert told_at_a_start(event, later) == ""


def test_one_that_the_start_settles_is_told_once_however_old(tmp_path: Path) -> None:
    event = scenario.make_event(tmp_path)
    cut = rewrite_take(event, replace(add_take(event), recording=True, length_s=None, films=()))
    for wait in (timedelta(minutes=5), 2 * TOLD_FOR):
        rewrite_take(event, replace(cut, notes=()))
        told = told_at_a_start(event, cut.begun + wait)
        assert told.count(f"Take {cut.id} was cut off") == 1
