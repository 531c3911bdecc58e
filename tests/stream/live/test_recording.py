"""Where the sound of takes comes from: said once, and no microphone opened unasked."""

from __future__ import annotations

from pathlib import Path

import pytest

from models.keyer import KeySettings
from stream.capture.source import open_source
from stream.errors import UserError
from stream.event import Event
from stream.live.recording import OWN_WORDS, LiveRecorder, SoundChoice
from stream.take import About, PacketRing, Take
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
