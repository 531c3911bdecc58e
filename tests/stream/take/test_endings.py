"""How takes end: a camera is lost or changes while the microphone goes on, a disk fails late."""

from __future__ import annotations

import errno
import os
import threading
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from stream.capture.clip import Clip
from stream.capture.container import Target
from stream.capture.media import local_now
from stream.capture.microphone import Microphone
from stream.capture.tap import SECOND_US
from stream.event import Event
from stream.take import (
    About,
    PacketRing,
    Recorder,
    Take,
    load_take,
    open_take,
    rewrite_take,
    sweep_takes,
)
from stream.take.about import drafted, keep_new
from stream.take.backlog import Backlog
from stream.take.media_file import MediaFile
from stream.take.recorder import LOCK
from stream.take.recording import Plan, Recording
from tests.stream.batch.scenario import SETTINGS
from tests.stream.capture.media_files import make_clip
from tests.stream.take.stage import Clock, Player, numbered_clip, read_into, wait_until
from tests.stream.take.test_ring import pieces_of

ABOUT = About(SETTINGS)
TONE = "sine=frequency=440:sample_rate=44100:samples_per_frame=882,arealtime"
CLIPS = [("n.mp4", "libx264"), ("r.avi", "rawvideo")]


@pytest.fixture
def microphone() -> Iterator[Microphone]:
    """One that never stops."""
    made = Microphone(lambda: Target(TONE, "tone", "lavfi"), name="tone").open()
    assert made.wait(60)
    yield made
    made.close()


@pytest.mark.parametrize("heard", [True, False])
@pytest.mark.parametrize(("name", "codec"), CLIPS)
def test_a_lost_camera_does_not_keep_a_take_from_its_end(
    event: Event, tmp_path: Path, microphone: Microphone, name: str, codec: str, heard: bool
) -> None:
    path = numbered_clip(tmp_path / name, 100, codec=codec, key_every=5)
    ring, recorder = PacketRing(), Recorder(event, microphone if heard else None)
    with Player(Clip(path, loop=True, tap=ring)) as player:
        player.wait(5)
        recorder.start(ring, ABOUT)
        player.wait(15)
    # From here on nothing comes.
    take = recorder.stop()
    assert not take.recording
    assert take.notes == ()
    assert len(list(open_take(event, take).frames())) >= 15
    assert open_take(event, take).has_sound == heard


@pytest.mark.parametrize(("name", "codec"), CLIPS)
def test_with_a_lost_camera_it_still_ends_by_itself(
    event: Event, tmp_path: Path, microphone: Microphone, name: str, codec: str
) -> None:
    path = numbered_clip(tmp_path / name, 100, codec=codec, key_every=5)
    ring, recorder = PacketRing(), Recorder(event, microphone)
    with Player(Clip(path, loop=True, tap=ring)) as player:
        player.wait(5)
        recorder.start(ring, ABOUT, most_s=3.0)
        player.wait(15)
    wait_until(lambda: not recorder.state().recording)
    take = recorder.stop()
    assert len(list(open_take(event, take).frames())) >= 15


@pytest.mark.parametrize(("name", "codec"), CLIPS)
def test_what_another_camera_sends_is_not_written(
    event: Event, tmp_path: Path, microphone: Microphone, name: str, codec: str
) -> None:
    path = numbered_clip(tmp_path / name, 100, codec=codec, key_every=5)
    ring, recorder = PacketRing(), Recorder(event, microphone)
    with Player(Clip(path, loop=True, tap=ring)) as player:
        player.wait(5)
        recorder.start(ring, ABOUT)
        player.wait(15)
    other = make_clip(tmp_path / f"o{path.suffix}", codec=codec, size=(64, 48), count=50)
    with Player(Clip(other, loop=True, tap=ring)):
        wait_until(lambda: not recorder.state().recording)
    take = recorder.stop()
    assert len(take.notes) == 1
    assert path.suffix in take.notes[0]
    assert {f.planes[0].shape[1] for f in open_take(event, take).frames()} == {160}


def test_a_disk_that_fails_at_the_very_end_keeps_the_take(
    event: Event, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = numbered_clip(tmp_path / "n.mp4", 100, key_every=5)
    ring, recorder = PacketRing(), Recorder(event)
    finish = MediaFile.finish

    def full(file: MediaFile) -> None:
        finish(file)
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(MediaFile, "finish", full)
    with Player(Clip(path, loop=True, tap=ring)) as player:
        player.wait(5)
        recorder.start(ring, ABOUT)
        player.wait(15)
        take = recorder.stop()
    assert load_take(event, take.id) == take
    assert not take.recording
    assert [n for n in take.notes if "the rest of this take was not kept" in n] == list(take.notes)
    assert len(list(open_take(event, take).frames())) >= 15


def test_who_was_taken_out_while_it_was_recorded_stays_out(event: Event, tmp_path: Path) -> None:
    path = numbered_clip(tmp_path / "n.mp4", 100, key_every=5)
    ring, recorder = PacketRing(), Recorder(event)
    with Player(Clip(path, loop=True, tap=ring)) as player:
        player.wait(5)
        begun = recorder.start(ring, About(SETTINGS, people=["1", "2"]))
        wait_until(lambda: recorder.state().bytes > 0)
        rewrite_take(event, replace(load_take(event, begun.id), people=("2",)))
        player.wait(5)
        take = recorder.stop()
    assert take.people == load_take(event, take.id).people == ("2",)
    assert take.length_s


def test_one_that_has_ended_lets_go_of_nothing_that_the_next_one_holds(
    event: Event, tmp_path: Path
) -> None:
    path = numbered_clip(tmp_path / "n.mp4", 100, key_every=5)
    go_on, told = threading.Event(), list[Take]()

    def on_end(take: Take) -> None:
        assert go_on.wait(60)
        told.append(take)

    ring, recorder = PacketRing(), Recorder(event, on_end=on_end)
    with Player(Clip(path, loop=True, tap=ring)) as player:
        player.wait(5)
        recorder.start(ring, ABOUT)
        first = recorder.stop()
        assert not (event.paths.takes / first.id / LOCK).exists()
        second = recorder.start(ring, ABOUT)
        go_on.set()
        wait_until(lambda: told == [first])
        assert (event.paths.takes / second.id / LOCK).exists()
        assert sweep_takes(event) == []
        recorder.stop()
    wait_until(lambda: len(told) == 2)


def test_sound_that_goes_on_after_the_end_does_not_hold_it_up(event: Event, tmp_path: Path) -> None:
    """The camera stalls with its first picture after the end; no sound lies across that."""
    path = numbered_clip(tmp_path / "n.mp4", 50, key_every=5, bframes=0, sound=True)
    clock, backlog, laid = Clock(), Backlog(), Backlog()
    ring = PacketRing(clock=clock)
    read_into(ring, path, 45, clock)
    ring.attach(laid, 0)
    pieces = pieces_of(laid)
    zero_us, end_us = pieces[0].at_us, pieces[0].at_us + SECOND_US
    after = next(p for p in pieces if not p.sound and p.decode_us >= end_us)
    for piece in pieces:
        if piece.at_us + (piece.length_us if piece.sound else 0) < end_us or piece is after:
            backlog.put(piece)
    draft = drafted(event, ABOUT, begun=local_now(), source="n.mp4", turns=0)
    plan = Plan(zero_us, zero_us, SECOND_US, None)
    # By a clock that stands still: nothing but what comes can end it.
    recording = Recording(
        event, keep_new(event, draft), plan, ring, backlog, None, clock=clock, wall=local_now
    )
    late = next(p for p in pieces if p.sound and p.at_us >= end_us)
    recording.begin(clock())
    for n in range(3000):
        if recording.ended.wait(0.01):
            break
        backlog.put(late.moved(n * late.length_us))
    assert recording.ended.is_set()
    assert not recording.trouble
    take = load_take(event, recording.take.id)
    assert len(list(open_take(event, take).frames())) == 25
    assert open_take(event, take).has_sound
