"""Takes of a source that plays: what lies before the press, sound, length, and what goes wrong."""

from __future__ import annotations

import json
import resource
import time
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from pathlib import Path

import av
import pytest
import torch
from PIL import Image

from stream.capture.clip import Clip
from stream.capture.container import Target
from stream.capture.frame import Frame
from stream.capture.microphone import Microphone
from stream.errors import UserError
from stream.event import Event
from stream.take import (
    About,
    PacketRing,
    Recorder,
    Take,
    TakeError,
    load_take,
    open_take,
    sweep_takes,
    take_ids,
)
from tests.stream.batch.scenario import SETTINGS
from tests.stream.capture.media_files import make_clip
from tests.stream.capture.sound_device import STEP_S, SoundDevice
from tests.stream.take.stage import (
    Clock,
    Player,
    click_times,
    number_of,
    numbered_clip,
    wait_until,
)

ABOUT = About(SETTINGS, people=["1"])
NOON = datetime(2026, 5, 31, 12, tzinfo=UTC)


def numbers(event: Event, take: Take) -> dict[float, int]:
    """The number that is shown at each instant of a take."""
    found = {}
    for frame in open_take(event, take).frames():
        assert frame.pts is not None
        assert frame.time_base is not None
        found[float(frame.pts * frame.time_base)] = number_of(frame)
    return found


def ends_s(take: Take) -> float:
    """Where what is shown ends, on the take's time line."""
    assert take.length_s is not None
    return take.length_s if take.end_s is None else take.end_s


def run_on(everything: dict[float, int], count: int, take: Take) -> bool:
    """Whether each number follows the one before it, and each frame after the right time."""
    # What is decoded last may have been to be shown before it, and after the take's end.
    shown = {at: number for at, number in everything.items() if at < ends_s(take)}
    steps = [(b - a) % count for a, b in pairwise(shown.values())]
    times = [b - a for a, b in pairwise(shown)]
    return set(steps) == {1} and all(0.038 < t < 0.042 for t in times)


def clock_at_zero(everything: dict[float, int], take: Take, seen: list[tuple[int, float]]) -> float:
    """What the clock said at a take's instant 0, from when each number was shown."""
    shown = [(t, number) for t, number in everything.items() if t < ends_s(take)]
    at = next(n for n, (number, _) in enumerate(seen) if number == shown[0][1])
    pairs = list(zip(shown, seen[at:], strict=False))
    assert all(number == other for (_, number), (other, _) in pairs)
    return min(arrived - t for (t, _), (_, arrived) in pairs)


def test_a_take_begins_before_the_press_and_ends_with_it(event: Event, tmp_path: Path) -> None:
    """By a clock that goes on with the clip's frames, on any computer."""
    path = numbered_clip(tmp_path / "n.mp4", 500, key_every=10, sound=True)
    clock = Clock()
    ring, ended = PacketRing(keep_s=2.0, clock=clock), list[Take]()

    def wall() -> datetime:
        return NOON + timedelta(seconds=clock.now)

    recorder = Recorder(event, on_end=ended.append, clock=clock, wall=wall)
    clip = Clip(path, loop=True, tap=ring, clock=clock, sleep=clock.sleep)
    clip.open()
    seen = []

    def play(count: int) -> None:
        for _ in range(count):
            frame = clip.read()
            assert frame is not None
            seen.append((number_of(frame), frame.arrived_s))

    play(60)
    pressed_s = clock.now
    begun = recorder.start(ring, ABOUT, before_s=1.0, most_s=60.0)
    assert begun.recording
    assert load_take(event, begun.id) == begun
    assert sweep_takes(event) == []  # it is at work
    play(40)
    state = recorder.state()
    assert (state.recording, state.take_id, state.most_s) == (True, begun.id, 60.0)
    assert state.before_s == pytest.approx(1.0, abs=0.001)
    stopped_s = clock.now
    recorder.end()
    while recorder.state().recording:  # the camera goes on
        play(1)
        time.sleep(0.001)
    take = recorder.stop()
    clip.close()
    wait_until(lambda: ended == [take])
    assert load_take(event, take.id) == take
    assert not take.recording
    assert (take.notes, take.sound) == ((), "the source's own track")
    assert [f.film for f in take.films] == ["t0001-Mira-Tallow-wide.mp4"]
    assert sorted(p.name for p in (event.paths.takes / take.id).iterdir()) == [
        "take.json",
        "take.mkv",
        "view.jpg",
    ]
    shown = numbers(event, take)
    assert next(iter(shown)) == 0
    assert run_on(shown, 500, take)
    zero_s = clock_at_zero(shown, take, seen)
    assert zero_s + take.begin_s == pytest.approx(pressed_s - 1.0, abs=0.002)
    assert take.begin_s < 0.5
    assert take.end_s is not None
    assert zero_s + take.end_s == pytest.approx(stopped_s, abs=0.002)
    assert take.length_s is not None
    assert take.end_s < take.length_s < take.end_s + 0.5
    # The wall clock at the instant 0, though it is known only from the press.
    at_zero = NOON + timedelta(seconds=zero_s)
    assert abs((take.begun - at_zero).total_seconds()) < 0.002
    # A click at each whole second of the clip, which is its number 0, 25, 50 ...
    reader = open_take(event, take)
    assert reader.sound_path == event.paths.takes / take.id / "take.mkv"
    marks = [t for t, n in shown.items() if n % 25 == 0]
    clicks = [c for c in click_times(reader.sound_path) if c > 0.1]
    assert len(clicks) >= 2
    assert all(min(abs(c - m) for m in marks) < 0.005 for c in clicks)
    # From any second on, the frame that is shown then comes first.
    inside = list(shown)
    for n in (0, 1, 7, len(inside) - 1):
        first = next(reader.frames(inside[n] + 0.015))
        assert number_of(first) == shown[inside[n]]
    with Image.open(event.paths.takes / take.id / "view.jpg") as view:
        assert view.size == (160, 48)


def test_it_ends_by_itself_and_only_one_runs_at_a_time(event: Event, tmp_path: Path) -> None:
    path = numbered_clip(tmp_path / "n.mp4", 100)
    ring, ended = PacketRing(), list[Take]()
    recorder = Recorder(event, on_end=ended.append)
    with Player(Clip(path, loop=True, tap=ring)) as player:
        player.wait(5)
        take = recorder.start(ring, ABOUT, most_s=3.0)
        with pytest.raises(TakeError, match="still being recorded"):
            recorder.start(ring, ABOUT)
        wait_until(lambda: bool(ended))
    kept = recorder.stop()
    assert [kept] == ended
    assert kept.id == take.id
    assert kept.end_s is not None
    assert kept.end_s - kept.begin_s == pytest.approx(3.0, abs=0.001)
    assert not recorder.state().recording
    recorder.close()


def test_a_source_that_changes_ends_a_take_that_is_kept(event: Event, tmp_path: Path) -> None:
    ring, recorder = PacketRing(), Recorder(event)
    with Player(Clip(numbered_clip(tmp_path / "n.mp4", 100), loop=True, tap=ring)) as player:
        player.wait(5)
        recorder.start(ring, ABOUT)
        player.wait(10)
    with Player(Clip(make_clip(tmp_path / "o.mp4"), loop=True, tap=ring)) as player:
        player.wait(2)
        wait_until(lambda: not recorder.state().recording)
    take = recorder.stop()
    assert take.notes == ("o.mp4: sends something else than before",)
    assert len(numbers(event, take)) >= 10


@pytest.mark.parametrize(("name", "codec"), [("n.mp4", "libx264"), ("r.avi", "rawvideo")])
def test_a_microphones_sound_lies_where_it_was_heard(
    event: Event, tmp_path: Path, name: str, codec: str
) -> None:
    path = numbered_clip(tmp_path / name, 500, codec=codec)
    with SoundDevice(tmp_path / "card") as device:
        ring = PacketRing(clock=device.clock)
        microphone = Microphone(lambda: device.target, name="Desk", clock=device.clock).open()
        recorder = Recorder(event, microphone, clock=device.clock)
        clip = Clip(path, loop=True, tap=ring, clock=device.clock, sleep=device.sleep)
        try:
            assert microphone.wait(60)
            device.waits_for = 1
            with Player(clip) as player:
                player.wait(60)
                recorder.start(ring, ABOUT, before_s=1.0)
                wait_until(lambda: recorder.state().sound == "microphone Desk")
                player.wait(75)
                take = recorder.stop()
                device.waits_for = 0
        finally:
            device.waits_for = 0
            microphone.close()
    assert (take.sound, take.notes) == ("microphone Desk", ())
    shown = numbers(event, take)
    assert run_on(shown, 500, take)
    zero_s = clock_at_zero(shown, take, player.seen)
    reader = open_take(event, take)
    assert reader.sound_path is not None
    clicks = click_times(reader.sound_path)
    assert len(clicks) >= 3
    with av.open(str(reader.sound_path)) as container:
        ends = [float(p.pts * p.time_base) for p in container.demux(audio=0) if p.pts is not None]
    # Up to the end, but for one packet of the media library's, which holds two of the card's, and
    # the one in which the end lies.
    assert ends[-1] == pytest.approx(ends_s(take), abs=6 * STEP_S)
    # The card clicks at whole seconds of its clock, with which the frames come, too; either may
    # be read a packet of it later.
    for click in clicks[1:]:
        off_s = (zero_s + click + 0.5) % 1 - 0.5
        assert abs(off_s) <= 2 * STEP_S, clicks


def test_without_a_microphone_the_take_goes_on_without_sound(event: Event, tmp_path: Path) -> None:
    ring = PacketRing()
    microphone = Microphone(lambda: Target(str(tmp_path / "none"), "Desk", "s16le"), name="Desk")
    recorder = Recorder(event, microphone)
    try:
        path = numbered_clip(tmp_path / "n.mp4", 100, sound=True)
        with Player(Clip(path, loop=True, tap=ring)) as player:
            player.wait(5)
            recorder.start(ring, ABOUT)
            player.wait(15)
            wait_until(lambda: "cannot be opened" in recorder.state().trouble)
            take = recorder.stop()
    finally:
        microphone.close()
    assert take.sound == ""
    assert "recorded without sound" in take.notes[0]
    assert not open_take(event, take).has_sound
    assert len(numbers(event, take)) >= 15


def test_a_full_disk_ends_it_with_a_sentence_and_keeps_what_is_there(
    event: Event, tmp_path: Path
) -> None:
    path = make_clip(tmp_path / "n.mp4", noise=True, count=50, size=(320, 240), options={"g": "5"})
    ring, recorder = PacketRing(), Recorder(event)
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    clip = Clip(path, loop=True, tap=ring)
    clip.open()
    try:
        for _ in range(5):
            clip.read()
        take = recorder.start(ring, ABOUT)
        # No file may grow over this: what a full disk answers, but for the number.
        resource.setrlimit(resource.RLIMIT_FSIZE, (3_000_000, hard))
        limit = time.monotonic() + 60
        while recorder.state().recording and time.monotonic() < limit:
            clip.read()
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
        clip.close()
    kept = recorder.stop()
    assert kept.id == take.id
    assert not kept.recording
    assert "the rest of this take was not kept" in kept.notes[0]
    assert recorder.state().trouble == kept.notes[0]
    frames = list(open_take(event, kept).frames())
    assert len(frames) > 10
    assert kept.length_s is not None
    assert kept.length_s > 0.4


def farthest(one: Frame, other: Frame) -> int:
    """The largest difference of a code value."""
    pairs = zip(one.planes, other.planes, strict=True)
    return max(int((a.int() - b.int()).abs().max()) for a, b in pairs)


@pytest.mark.parametrize(
    ("pixel", "size"), [("yuv422p", (160, 96)), ("gbrp", (160, 96)), ("yuv444p", (33, 21))]
)
def test_uncompressed_pictures_are_compressed_beside_the_program(
    event: Event, tmp_path: Path, pixel: str, size: tuple[int, int]
) -> None:
    tags = {"colorspace": 0 if pixel == "gbrp" else 1}
    path = make_clip(
        tmp_path / "r.nut",
        codec="rawvideo",
        pixel=pixel,
        size=size,
        count=20,
        noise=True,
        tags=tags,
    )
    clip = Clip(path, paced=False)
    clip.open()
    given = list(iter(clip.read, None))
    clip.close()
    ring, recorder = PacketRing(), Recorder(event)
    source = Clip(path, loop=True, tap=ring)
    source.open()
    for _ in range(10):
        source.read()
    assert not ring.state().copied
    recorder.start(ring, ABOUT, before_s=0.2)
    limit = time.monotonic() + 120
    stopped = None
    while recorder.state().recording and time.monotonic() < limit:
        source.read()
        if stopped is None and recorder.state().bytes and recorder.state().elapsed_s > 1.0:
            stopped = True
            recorder.end()
    source.close()
    take = recorder.stop()
    assert take.notes == ()
    frames = list(open_take(event, take).frames())
    assert len(frames) >= 20
    exact = pixel == "gbrp" or size[0] % 2
    for frame in frames:
        assert frame.encoding == given[0].encoding
        assert min(farthest(frame, f) for f in given) <= (0 if exact else 8)
    assert len({bytes(f.planes[0].to(torch.uint8).numpy()) for f in frames}) >= min(20, len(frames))


def test_what_cannot_be_recorded_is_refused_with_a_sentence(event: Event, tmp_path: Path) -> None:
    ring, recorder = PacketRing(), Recorder(event)
    with pytest.raises(TakeError, match="no take is being recorded"):
        recorder.stop()
    with pytest.raises(TakeError, match="there is no picture yet"):
        recorder.start(ring, ABOUT)
    clip = Clip(numbered_clip(tmp_path / "n.mp4", 30), loop=True, tap=ring)
    clip.open()
    clip.read()
    for wrong in ({"most_s": 0.0}, {"most_s": 1e9}, {"before_s": -1.0}):
        with pytest.raises(TakeError, match="was asked for"):
            recorder.start(ring, ABOUT, **wrong)
    with pytest.raises(UserError, match="square"):
        recorder.start(ring, About(SETTINGS, shapes=("square",)))
    with pytest.raises(UserError, match="dune"):
        recorder.start(ring, About(SETTINGS, template="dune"))
    ring.refuse("album: stills are no film")
    with pytest.raises(TakeError, match="stills are no film"):
        recorder.start(ring, ABOUT)
    clip.close()
    assert take_ids(event) == []
    assert list(event.paths.takes.iterdir()) == []


def test_what_is_wrong_beside_the_picture_is_noted(event: Event, tmp_path: Path) -> None:
    ring, recorder = PacketRing(), Recorder(event)
    with Player(Clip(numbered_clip(tmp_path / "n.mp4", 100), loop=True, tap=ring)) as player:
        player.wait(5)
        plate = "20260101-000000-abcdef"
        about = About(SETTINGS, people=["99"], plate=plate, shapes=("tall", "wide"))
        recorder.start(ring, about)
        player.wait(5)
        take = recorder.stop()
    assert take.plate is None
    assert any("99" in n for n in take.notes)
    assert any(plate in n for n in take.notes)
    assert [f.shape for f in take.films] == ["tall", "wide"]
    data = json.loads((event.paths.takes / take.id / "take.json").read_text("utf-8"))
    assert data["settings"] == SETTINGS.to_json()
