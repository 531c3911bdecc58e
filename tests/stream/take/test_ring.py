"""What a tap is given, and how it is laid on one line."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from itertools import pairwise
from pathlib import Path

import av
import pytest
import torch
from PIL import Image

from stream.capture.clip import Clip
from stream.capture.frame import Frame
from stream.capture.parameters import parameters_of
from stream.capture.source import open_source
from stream.capture.tap import Gathering, Piece, Streams
from stream.take import PacketRing
from stream.take.backlog import Backlog
from stream.take.media_file import MediaFile
from tests.stream.batch.scenario import make_frame
from tests.stream.capture.media_files import make_clip
from tests.stream.take.stage import Clock, click_times, numbered_clip, read_into

ONE, LAST = 1 << 16, 1 << 30
TURNED = [0, ONE, 0, -ONE, 0, 0, 0, 0, LAST]
MIRRORED = [-ONE, 0, 0, 0, ONE, 0, 0, 0, LAST]
QUIET = {"x265-params": "log-level=none"}
WIDE = {"colorspace": 9, "color_primaries": 9, "color_trc": 14}


def pieces_of(backlog: Backlog) -> list[Piece]:
    found = []
    while (piece := backlog.get(0)) is not None:
        found.append(piece)
    return found


def written(ring: PacketRing, backlog: Backlog, path: Path) -> Path:
    """What a backlog holds, as a file that begins at 0."""
    assert ring.streams is not None
    assert ring.streams.picture is not None
    pieces = pieces_of(backlog)
    zero_us = next(p.at_us for p in pieces if p.key and not p.sound)
    file = MediaFile(path, ring.streams.picture, ring.streams.sound)
    for piece in pieces:
        if piece.at_us >= zero_us:
            file.write(piece.moved(-zero_us))
    file.finish()
    return path


def frames_of(path: Path) -> list[Frame]:
    clip = Clip(path, paced=False)
    clip.open()
    found = []
    while (frame := clip.read()) is not None:
        found.append(frame)
    clip.close()
    return found


def same(one: Frame, other: Frame) -> bool:
    facts = (one.encoding, one.quarter_turns) == (other.encoding, other.quarter_turns)
    return facts and all(torch.equal(a, b) for a, b in zip(one.planes, other.planes, strict=True))


def shown_at(frame: Frame) -> Fraction:
    assert frame.pts is not None
    assert frame.time_base is not None
    return frame.pts * frame.time_base


@pytest.mark.parametrize(
    ("name", "how"),
    [
        ("b.mp4", {"options": {"g": "7", "bf": "3"}}),
        ("turned.mp4", {"matrix": TURNED}),
        ("mirrored.mp4", {"matrix": MIRRORED}),
        ("h.mp4", {"codec": "libx265", "options": QUIET, "tags": WIDE}),
        ("deep.mkv", {"codec": "ffv1", "pixel": "yuv422p10le"}),
        ("j.avi", {"codec": "mjpeg", "pixel": "yuvj422p"}),
        ("t.ts", {"options": {"g": "7"}}),
        ("v.webm", {"codec": "libvpx-vp9"}),
        ("b.mkv", {"options": {"g": "7", "bf": "3"}}),
        ("m.avi", {"codec": "mpeg4"}),
        ("p.mov", {"codec": "prores_ks", "pixel": "yuv422p10le"}),
    ],
)
def test_copied_packets_decode_to_the_sources_own_frames(
    tmp_path: Path, name: str, how: dict[str, object]
) -> None:
    """Bit for bit, with the source's tags and rotation, over two joints of a loop."""
    path = make_clip(tmp_path / name, noise=True, count=12, **how)  # type: ignore[arg-type]
    plain = frames_of(path)
    clock, backlog = Clock(), Backlog()
    ring = PacketRing(clock=clock)
    ring.attach(backlog, 0)
    live = read_into(ring, path, 30, clock)
    assert ring.state().copied
    assert backlog.ended is None
    again = frames_of(written(ring, backlog, tmp_path / "take.mkv"))
    assert len(again) >= 30
    for n, frame in enumerate(live):
        assert same(again[n], frame)
        assert same(again[n], plain[n % 12])
    # Matroska counts in milliseconds (RFC 9559, TimestampScale): each is its instant rounded.
    for n in range(30):
        assert abs(shown_at(again[n]) - Fraction(n, 25)) <= Fraction(1, 1000)


def test_a_source_gives_the_same_frames_with_a_tap_and_without(tmp_path: Path) -> None:
    path = numbered_clip(tmp_path / "n.mp4", 30, sound=True)
    clock = Clock()
    ring = PacketRing(clock=clock)
    tapped = read_into(ring, path, 40, clock)
    bare_clock = Clock()
    clip = Clip(path, loop=True, clock=bare_clock, sleep=bare_clock.sleep)
    clip.open()
    bare = [clip.read() for _ in range(40)]
    clip.close()
    assert clock.now == bare_clock.now
    for one, other in zip(tapped, bare, strict=True):
        assert other is not None
        assert same(one, other)
        assert replace(one, planes=other.planes) == replace(other, taken=one.taken)


def test_the_sources_own_sound_is_copied_on_the_same_line(tmp_path: Path) -> None:
    path = numbered_clip(tmp_path / "n.mp4", 50, sound=True)
    clock, backlog, deaf = Clock(), Backlog(), Backlog()
    ring = PacketRing(clock=clock)
    ring.attach(backlog, 0)
    ring.attach(deaf, 0, sound=False)
    read_into(ring, path, 90, clock)
    assert not any(p.sound for p in pieces_of(deaf))
    take = written(ring, backlog, tmp_path / "take.mkv")
    with av.open(str(path)) as given, av.open(str(take)) as kept:
        packets = [bytes(p) for p in given.demux(audio=0) if p.size]
        copies = [p for p in kept.demux(audio=0) if p.size]
        # The first one lies before the picture: what an AAC encoder puts before its first sample.
        assert [bytes(p) for p in copies][: len(packets) - 1] == packets[1:]
        # 1024 samples each, up to where the file begins again.
        times = [p.pts for p in copies if p.pts is not None]
        assert {b - a for a, b in pairwise(times[: len(packets) - 1])} <= {21, 22}
        assert times == sorted(times)
        assert times[-1] > 3000
    # Each second of the clip begins with a click; it is two seconds long. AAC smears by 2 ms.
    assert click_times(take)[1:4] == pytest.approx([1.0, 2.0, 3.0], abs=0.004)
    assert not PacketRing(own_sound=False).wants_sound


def test_a_ring_keeps_what_a_take_may_want_and_no_more(tmp_path: Path) -> None:
    path = numbered_clip(tmp_path / "n.mp4", 100, key_every=10, bframes=0)
    clock = Clock()
    ring = PacketRing(keep_s=1.0, clock=clock)
    assert ring.state().why == "there is no picture yet"
    read_into(ring, path, 90, clock)
    state = ring.state()
    assert (state.ready, state.why, state.behind_s) == (True, "", 1.0)
    now_us = ring.line_us(clock.now)
    for back_us in (0, 300_000, 1_000_000):
        backlog = Backlog()
        ring.attach(backlog, now_us - back_us)
        ring.detach(backlog)
        pieces = pieces_of(backlog)
        assert pieces[0].key
        # The nearest key frame at or before; one every .4 s.
        assert 0 <= now_us - back_us - pieces[0].at_us <= 400_000 + 40_000
    backlog = Backlog()
    ring.attach(backlog, now_us - 60_000_000)
    kept_us = now_us - pieces_of(backlog)[0].at_us
    assert 1_000_000 <= kept_us <= 1_500_000


def test_a_ring_is_bounded_in_bytes(tmp_path: Path) -> None:
    path = make_clip(tmp_path / "n.mp4", noise=True, count=100, options={"g": "10", "bf": "0"})
    clock = Clock()
    ring = PacketRing(keep_s=60.0, most_bytes=1 << 16, clock=clock)
    read_into(ring, path, 100, clock)
    assert 0 < ring.state().bytes <= 1 << 16
    assert 0 < ring.state().behind_s < 3
    # Where no key frame comes for long, nothing is kept, but a take that runs has it all.
    long = {"g": "250", "bf": "0", "sc_threshold": "0"}
    path = make_clip(tmp_path / "l.mp4", noise=True, count=60, options=long)
    ring, backlog = PacketRing(keep_s=60.0, most_bytes=1 << 15, clock=clock), Backlog()
    ring.attach(backlog, 0)
    read_into(ring, path, 50, clock)
    assert not ring.state().ready
    assert "no key frame" in ring.state().why
    assert len(pieces_of(backlog)) >= 50
    late = Backlog()
    ring.attach(late, 0)
    assert late.first_key() is None


def test_sound_is_bounded_where_no_key_frame_comes(tmp_path: Path) -> None:
    path = numbered_clip(tmp_path / "n.mp4", 5, sound=True)
    with av.open(str(path)) as given:
        picture, heard = (
            parameters_of(s) for s in (given.streams.video[0], given.streams.audio[0])
        )
    ring = PacketRing(keep_s=1.0, most_bytes=1000)
    ring.opened(Streams("stage", picture, sound=heard), again=False)
    for n in range(500):
        at = n * 40_000
        shown = Piece(at, at, 40_000, n == 0, True, False, b"x" * 600, size=600)
        sound = Piece(at, at, 40_000, True, True, True, b"y" * 10, size=10)
        frame = replace(make_frame(), pts=n, time_base=Fraction(1, 25), arrived_s=5 + n / 25)
        ring.took([shown, sound], 0, frame)
    assert not ring.state().ready
    # What is kept, and a second more.
    assert 10 * 25 <= ring.state().bytes <= 10 * 52


def test_sound_whose_picture_stalls_does_not_pile_up(tmp_path: Path) -> None:
    path = numbered_clip(tmp_path / "n.mp4", 750, sound=True)
    backlogs = []
    for live in (True, False):
        ring, backlog = PacketRing(), Backlog()
        ring.attach(backlog, 0)
        with av.open(str(path)) as given:
            picture, sound = given.streams.video[0], given.streams.audio[0]
            how = {"clock": Clock(), "by_arrival": False, "live": live}
            gathering = Gathering(ring, "stage", picture, sound, **how)  # type: ignore[arg-type]
            for packet in given.demux(sound):
                gathering.note(packet, True)
            gathering.hand(0, replace(make_frame(), pts=0, time_base=Fraction(1, 25)))
        backlogs.append(pieces_of(backlog))
    bounded, whole = ([p.at_us for p in pieces] for pieces in backlogs)
    assert 9_900_000 < bounded[-1] - bounded[0] <= 10_000_000
    assert whole[-1] - whole[0] > 29_000_000


def test_a_connection_that_comes_back_leaves_its_true_pause(tmp_path: Path) -> None:
    path = numbered_clip(tmp_path / "n.mp4", 50, bframes=0)
    clock, backlog = Clock(), Backlog()
    ring = PacketRing(clock=clock)
    ring.attach(backlog, 0)
    read_into(ring, path, 10, clock)
    clock.now += 7.0
    read_into(ring, path, 10, clock)
    assert backlog.ended is None
    times = [p.at_us for p in pieces_of(backlog)]
    steps = [b - a for a, b in pairwise(times)]
    assert [s for s in steps if s != 40_000] == [pytest.approx(7_000_000, abs=45_000)]


def test_a_source_that_sends_something_else_ends_the_take_with_a_sentence(tmp_path: Path) -> None:
    clock, backlog = Clock(), Backlog()
    ring = PacketRing(clock=clock)
    ring.attach(backlog, 0)
    read_into(ring, make_clip(tmp_path / "a.mp4"), 5, clock)
    read_into(ring, make_clip(tmp_path / "b.mp4", size=(80, 48)), 5, clock)
    assert backlog.ended == "b.mp4: sends something else than before"
    assert ring.state().ready


def test_wrong_timestamps_go_by_arrival(tmp_path: Path) -> None:
    """AVI numbers packets in the order of decoding, so that waiting pictures have wrong times."""
    path = make_clip(tmp_path / "x.avi", count=20, noise=True)
    clock = Clock()
    ring = PacketRing(clock=clock)
    clip = Clip(path, loop=True, tap=ring, clock=clock, sleep=clock.sleep)
    clip.open()
    for _ in range(12):
        clip.read()
    assert not ring.state().copied
    backlog = Backlog()
    ring.attach(backlog, 1 << 60)
    pieces_of(backlog)
    live = []
    for _ in range(20):
        clock.now += 0.04
        live.append(clip.read())
    clip.close()
    kept = pieces_of(backlog)
    assert [p.frame for p in kept] == live
    assert all(b.at_us > a.at_us for a, b in pairwise(kept))


def test_uncompressed_pictures_are_kept_as_frames_within_their_own_bound(tmp_path: Path) -> None:
    path = numbered_clip(tmp_path / "r.avi", 50, codec="rawvideo")
    each = 160 * 48 * 3 // 2
    clock, backlog = Clock(), Backlog()
    ring = PacketRing(most_frame_bytes=12 * each, clock=clock)
    live = read_into(ring, path, 30, clock)
    state = ring.state()
    assert (state.copied, state.ready, state.bytes) == (False, True, 12 * each)
    ring.attach(backlog, 0)
    clip = Clip(path, loop=True, tap=ring, clock=clock, sleep=clock.sleep)
    clip.open()
    given = [*live[-12:], *(clip.read() for _ in range(30))]
    # Amid a take the frames lie in its backlog: the ring does not hold as many once more.
    assert ring.state().bytes == 3 * each
    kept = pieces_of(backlog)
    assert [p.frame for p in kept] == given
    assert {b.at_us - a.at_us for a, b in pairwise(kept[12:])} == {40_000}
    ring.detach(backlog)
    for _ in range(20):
        clip.read()
    clip.close()
    assert ring.state().bytes == 12 * each


def test_stills_are_refused_with_a_sentence(tmp_path: Path) -> None:
    Image.new("RGB", (64, 48)).save(tmp_path / "a.png")
    ring = PacketRing()
    open_source(str(tmp_path), tap=ring)
    assert "stills are no film" in ring.refused
    assert not ring.state().ready
