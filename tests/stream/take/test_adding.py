"""A clip file made into a take by hand, and takes whose program died."""

from __future__ import annotations

import os
import subprocess
from datetime import UTC, datetime
from fractions import Fraction
from itertools import pairwise
from pathlib import Path
from typing import Any

import av
import pytest
import torch

from stream import own_process
from stream.capture.clip import Clip
from stream.capture.frame import Frame
from stream.capture.tap import Piece
from stream.durable import PARTIAL, sweep_partials
from stream.errors import UserError
from stream.event import Event
from stream.take import (
    TakeError,
    add_clip,
    clip_encoding,
    load_take,
    open_take,
    rewrite_take,
    sweep_takes,
    take_ids,
)
from stream.take.backlog import Backlog, Gap
from stream.take.encoding import FrameEncoder
from stream.take.recorder import LOCK, recording_lock
from stream.take.sweeping import CUT_OFF
from tests.stream.batch.scenario import SETTINGS
from tests.stream.capture.media_files import make_clip
from tests.stream.take.stage import click_times, number_of, numbered_clip
from tests.stream.take.test_ring import MIRRORED, TURNED, frames_of, same, shown_at


@pytest.mark.parametrize(
    ("name", "how"),
    [
        ("turned.mp4", {"matrix": TURNED}),
        ("mirrored.mov", {"matrix": MIRRORED, "options": {"bf": "3"}}),
        ("t.ts", {}),
        ("j.avi", {"codec": "mjpeg", "pixel": "yuvj420p"}),
        ("v.webm", {"codec": "libvpx-vp9"}),
    ],
)
def test_a_clip_is_copied_bit_for_bit(
    event: Event, tmp_path: Path, name: str, how: dict[str, object]
) -> None:
    path = make_clip(tmp_path / name, noise=True, count=20, **how)  # type: ignore[arg-type]
    take = add_clip(event, path, settings=SETTINGS, people=["1"], begin_s=0.2, end_s=0.6)
    assert load_take(event, take.id) == take
    assert (take.recording, take.source, take.sound, take.notes) == (False, name, "", ())
    assert [f.film for f in take.films] == ["t0001-Mira-Tallow-wide.mp4"]
    given, kept = frames_of(path), list(open_take(event, take).frames())
    assert len(given) == len(kept) == 20
    assert all(same(a, b) for a, b in zip(given, kept, strict=True))
    assert all(abs(shown_at(f) - Fraction(n, 25)) <= Fraction(1, 1000) for n, f in enumerate(kept))
    assert take.begin_s == pytest.approx(0.2)
    assert take.end_s == pytest.approx(0.6)
    assert take.length_s == pytest.approx(0.8, abs=0.001)
    assert (event.paths.takes / take.id / "view.jpg").exists()
    assert not (event.paths.takes / take.id / LOCK).exists()


def test_a_clips_sound_and_date_come_with_it(event: Event, tmp_path: Path) -> None:
    path = numbered_clip(tmp_path / "n.mp4", 80, sound=True)
    seen: list[float] = []
    take = add_clip(event, path, settings=SETTINGS, seen=seen.append)
    assert take.sound == "the clip's own track"
    assert (take.begin_s, take.end_s) == (0.0, None)
    assert seen == sorted(seen)
    reader = open_take(event, take)
    assert reader.sound_path is not None
    # The first one rises more slowly, without the packet that AAC puts before its first sample.
    kept, given = click_times(reader.sound_path), click_times(path)
    assert kept[1:] == pytest.approx(given[1:], abs=0.002)
    assert kept[0] == pytest.approx(given[0], abs=0.022)
    dated = make_clip(tmp_path / "d.mp4", metadata={"creation_time": "2031-05-06T07:08:09Z"})
    other = add_clip(event, dated, settings=SETTINGS, shapes=("tall", "wide"))
    assert other.begun == datetime(2031, 5, 6, 7, 8, 9, tzinfo=UTC)
    assert [f.shape for f in other.films] == ["tall", "wide"]
    assert other.number == 2


@pytest.mark.parametrize("name", ["s.ts", "s.mkv", "s.mov"])
def test_sound_of_every_container_lies_where_it_was(
    event: Event, tmp_path: Path, name: str
) -> None:
    """Transport streams put a header before each packet of AAC (ISO/IEC 14496-3, ADTS)."""
    path = numbered_clip(tmp_path / name, 80, sound=True)
    take = add_clip(event, path, settings=SETTINGS)
    reader = open_take(event, take)
    assert reader.sound_path is not None
    marks = [float(shown_at(f)) for f in reader.frames() if number_of(f) % 25 == 0]
    assert click_times(reader.sound_path)[1:] == pytest.approx(marks[1:], abs=0.003)
    with av.open(str(reader.sound_path)) as container:
        assert container.streams.audio[0].codec_context.extradata is not None
        packet = next(container.demux(audio=0))
        assert bytes(packet)[:1] != b"\xff"


@pytest.mark.parametrize(
    ("name", "how"),
    [
        ("raw.avi", {"codec": "rawvideo"}),
        ("untimed.h264", {"options": {"bf": "2"}}),
        ("wrong.avi", {}),  # H.264 in AVI: timestamps in the order of decoding
    ],
)
def test_a_clip_whose_packets_cannot_be_copied_is_compressed_anew(
    event: Event, tmp_path: Path, name: str, how: dict[str, object]
) -> None:
    path = make_clip(tmp_path / name, count=20, **how)  # type: ignore[arg-type]
    take = add_clip(event, path, settings=SETTINGS)
    given, kept = frames_of(path), list(open_take(event, take).frames())
    assert len(given) == len(kept) == 20
    for n, (one, other) in enumerate(zip(given, kept, strict=True)):
        assert one.encoding == other.encoding
        pairs = zip(one.planes, other.planes, strict=True)
        assert max(int((a.int() - b.int()).abs().max()) for a, b in pairs) <= 3
        assert abs(shown_at(other) - Fraction(n, 25)) <= Fraction(1, 1000)
    assert take.notes == ()


@pytest.mark.parametrize(
    ("name", "codec"),
    [("raw.nut", "rawvideo"), ("raw.mkv", "rawvideo"), ("wrong.avi", "libx264")],
)
def test_a_clip_that_is_compressed_anew_keeps_its_sound(
    event: Event, tmp_path: Path, name: str, codec: str
) -> None:
    """Sample by sample, and where it was heard, however long the compressing takes."""
    heard = "pcm_s16le" if name.endswith("avi") else "aac"
    path = numbered_clip(tmp_path / name, 120, codec=codec, sound=True, heard=heard)
    take = add_clip(event, path, settings=SETTINGS)
    assert (take.sound, take.notes) == ("the clip's own track", ())
    reader = open_take(event, take)
    assert reader.sound_path is not None
    shown = list(reader.frames())
    assert [number_of(f) for f in shown] == list(range(120))
    marks = [float(shown_at(f)) for f in shown if number_of(f) % 25 == 0]
    # The first click may rise more slowly, without what AAC puts before its first sample.
    assert click_times(reader.sound_path)[1:] == pytest.approx(marks[1:], abs=0.003)
    with av.open(str(path)) as given, av.open(str(reader.sound_path)) as kept:
        packets = [bytes(p) for p in given.demux(audio=0) if p.size]
        copies = [bytes(p) for p in kept.demux(audio=0) if p.size]
    # All but what an encoder puts before its first sample.
    assert len(copies) >= len(packets) - 2
    assert copies == packets[len(packets) - len(copies) :]
    # Laid between the pictures of its time: it can be played from the begin on.
    with av.open(str(reader.sound_path)) as kept:
        times = [float(p.dts * p.time_base) for p in kept.demux() if p.dts is not None]
    assert all(b > a - 0.5 for a, b in pairwise(times))


def test_a_clip_that_takes_long_is_not_swept_away(event: Event, tmp_path: Path) -> None:
    path = make_clip(tmp_path / "a.mp4", count=300, size=(32, 32))
    left: list[int] = []

    def seen(done_s: float) -> None:
        (folder,) = event.paths.takes.glob(f"{PARTIAL}*")
        left.append(sweep_partials(event.paths.takes))
        for path in (folder, *folder.iterdir()):
            os.utime(path, (0, 0))  # begun long ago

    take = add_clip(event, path, settings=SETTINGS, seen=seen)
    assert len(left) >= 3
    assert not any(left)
    assert len(list(open_take(event, take).frames())) == 300


def test_a_clip_whose_compressor_ends_amid_it_is_refused(
    event: Event, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Killed as by a system that has no memory left (POSIX.1-2017, SIGKILL)."""
    path = make_clip(tmp_path / "raw.avi", count=900, size=(64, 48), codec="rawvideo")
    begun = own_process.begin
    compressors: list[subprocess.Popen[bytes]] = []

    def begin(module: str, **more: Any) -> subprocess.Popen[bytes]:
        compressors.append(begun(module, **more))
        return compressors[-1]

    monkeypatch.setattr(own_process, "begin", begin)

    def seen(done_s: float) -> None:
        if done_s > 10:
            compressors[0].kill()

    with pytest.raises(TakeError, match=r"raw.avi: is not kept, since the process that compresses"):
        add_clip(event, path, settings=SETTINGS, seen=seen)
    assert take_ids(event) == []
    assert not list(event.paths.takes.glob(f"{PARTIAL}*"))


def test_pictures_that_found_no_room_are_told(
    event: Event, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    class Full(FrameEncoder):
        """One whose packets found no room for a while."""

        def __init__(self, given: Backlog, first: Piece) -> None:
            super().__init__(given, first)
            self.out.gaps.append(Gap(first.at_us + 1_000_000, 500_000))

    path = make_clip(tmp_path / "raw.avi", count=50, size=(64, 48), codec="rawvideo")
    monkeypatch.setattr(clip_encoding, "FrameEncoder", Full)
    (note,) = add_clip(event, path, settings=SETTINGS).notes
    assert note.startswith("0.5 s of picture are missing in it, from 1.0 s on")


NOON = datetime(2026, 5, 31, 12, tzinfo=UTC)


def trimmed(path: Path, source: Path, cut_ms: int) -> Path:
    """A clip whose first pictures are not shown: an edit list, as telephones write when trimming.

    ISO/IEC 14496-12, 8.6.6: what lies before the media time of the first edit is not presented.
    """
    with av.open(str(source)) as given, av.open(str(path), "w") as out:
        stream = given.streams.video[0]
        made = out.add_stream_from_template(stream)
        assert stream.time_base is not None
        shift = round(Fraction(cut_ms, 1000) / stream.time_base)
        for packet in given.demux(stream):
            if packet.dts is not None and packet.pts is not None:
                packet.pts -= shift
                packet.dts -= shift
                packet.stream = made
                out.mux(packet)
    return path


def test_pictures_that_are_only_decoded_lie_before_the_begin(event: Event, tmp_path: Path) -> None:
    whole = numbered_clip(tmp_path / "n.mp4", 50, key_every=50, bframes=0)
    path = trimmed(tmp_path / "t.mp4", whole, 400)
    first = frames_of(path)[0]
    assert number_of(first) == 10
    take = add_clip(event, path, settings=SETTINGS, begin_s=0.2, wall=lambda: NOON)
    assert take.begin_s == pytest.approx(0.6, abs=0.002)
    # The instant 0 lies before what the clip shows, and so does its time of day.
    assert (NOON - take.begun).total_seconds() == pytest.approx(0.4, abs=0.002)
    reader = open_take(event, take)
    assert [number_of(f) for f in reader.frames()] == list(range(50))
    assert number_of(next(reader.frames(take.begin_s))) == 15


def ended(path: Path, source: Path, ends_ms: int) -> Path:
    """A clip that is shown up to a time only, as telephones write when trimming.

    ISO/IEC 14496-12, 8.6.6: an edit's segment_duration, in the movie's time scale (8.2.2), which
    is a thousandth of a second here, says how long it is presented.
    """
    data = bytearray(source.read_bytes())
    at = data.index(b"mvhd")
    assert int.from_bytes(data[at + 16 : at + 20], "big") == 1000
    at = data.index(b"elst")
    assert data[at + 4] == 0  # its version
    assert int.from_bytes(data[at + 8 : at + 12], "big") == 1
    data[at + 12 : at + 16] = ends_ms.to_bytes(4, "big")
    path.write_bytes(data)
    return path


@pytest.mark.parametrize("bframes", [0, 2])
def test_pictures_after_the_end_of_an_edit_are_not_shown(
    event: Event, tmp_path: Path, bframes: int
) -> None:
    whole = numbered_clip(tmp_path / "n.mp4", 100, key_every=25, bframes=bframes)
    path = ended(tmp_path / "e.mp4", whole, 2400)
    assert [number_of(f) for f in frames_of(path)] == list(range(60))
    take = add_clip(event, path, settings=SETTINGS)
    assert take.length_s is not None
    end_s = take.length_s if take.end_s is None else take.end_s
    assert end_s == pytest.approx(2.4, abs=0.002)
    shown = [f for f in open_take(event, take).frames() if shown_at(f) < end_s - 0.001]
    assert [number_of(f) for f in shown] == list(range(60))
    # An end that is asked for is that of what is shown.
    part = add_clip(event, path, settings=SETTINGS, begin_s=1.0, end_s=9.0)
    assert (part.end_s, part.length_s) == (take.end_s, take.length_s)
    assert add_clip(event, path, settings=SETTINGS, end_s=2.0).end_s == pytest.approx(2.0)
    with pytest.raises(TakeError, match=r"is 2\.4 s long"):
        add_clip(event, path, settings=SETTINGS, begin_s=3.0)


def test_what_is_no_clip_or_has_no_such_part_is_refused(event: Event, tmp_path: Path) -> None:
    path = make_clip(tmp_path / "a.mp4", count=10)
    text = tmp_path / "b.mp4"
    text.write_text("no clip")
    small = make_clip(tmp_path / "c.mkv", codec="ffv1", size=(8, 8), count=2)
    for wrong, message in (
        (tmp_path / "none.mp4", "no such file"),
        (text, "no video that can be read"),
        (small, "at least 16 each way"),
    ):
        with pytest.raises(UserError, match=message):
            add_clip(event, wrong, settings=SETTINGS)
    for begin_s, end_s in ((-1.0, None), (0.3, 0.3), (0.5, 0.2), (7.0, None)):
        with pytest.raises(TakeError, match="s"):
            add_clip(event, path, settings=SETTINGS, begin_s=begin_s, end_s=end_s)
    with pytest.raises(UserError, match="dune"):
        add_clip(event, path, settings=SETTINGS, template="dune")
    assert take_ids(event) == []
    assert list(event.paths.takes.iterdir()) == []


@pytest.mark.parametrize(("name", "codec"), [("a.mp4", "libx264"), ("a.mkv", "ffv1")])
def test_one_frame_is_a_take(event: Event, tmp_path: Path, name: str, codec: str) -> None:
    path = make_clip(tmp_path / name, codec=codec, count=1)
    take = add_clip(event, path, settings=SETTINGS)
    (frame,) = open_take(event, take).frames()
    assert isinstance(frame, Frame)
    assert take.length_s == pytest.approx(0.04, abs=0.001)


def test_a_missing_or_damaged_file_of_a_take_is_a_sentence(event: Event, tmp_path: Path) -> None:
    take = add_clip(event, make_clip(tmp_path / "a.mp4", count=5), settings=SETTINGS)
    media = event.paths.takes / take.id / take.file
    media.write_bytes(b"nothing")
    with pytest.raises(TakeError, match="holds no picture"):
        open_take(event, take)
    media.unlink()
    with pytest.raises(TakeError, match=r"has no take\.mkv"):
        open_take(event, take)


@pytest.mark.parametrize("kept", [1.0, 0.6, 0.02, 0.0])
def test_a_take_whose_program_died_is_settled(event: Event, tmp_path: Path, kept: float) -> None:
    path = numbered_clip(tmp_path / "n.mp4", 100, key_every=10)
    take = add_clip(event, path, settings=SETTINGS)
    folder = event.paths.takes / take.id
    data = (folder / take.file).read_bytes()
    (folder / take.file).write_bytes(data[: round(len(data) * kept)])
    (folder / "view.jpg").unlink()
    dead = rewrite_take(
        event,
        take.__class__.from_json(
            {**take.to_json(), "recording": True, "length_s": None, "films": [], "begin_s": 0.5}
        ),
    )
    lock = recording_lock(folder)
    with lock:
        assert sweep_takes(event) == []
        assert load_take(event, take.id) == dead
    (mended,) = sweep_takes(event)
    assert load_take(event, take.id) == mended
    assert not mended.recording
    assert CUT_OFF in mended.notes
    assert sweep_takes(event) == []
    if kept < 0.5:
        assert mended.length_s == 0.0 or mended.length_s < 1.0  # type: ignore[operator]
        return
    shown = [number_of(f) for f in open_take(event, mended).frames()]
    assert shown == list(range(len(shown)))
    assert len(shown) >= 100 * kept - 30
    assert mended.length_s == pytest.approx(len(shown) / 25, abs=0.2)
    assert mended.begin_s == 0.5
    assert (folder / "view.jpg").exists()
    # The same frames from the middle on, whether there is an index or not.
    for at_s in (0.5, 1.21, 1.9):
        assert number_of(next(open_take(event, mended).frames(at_s))) == int(at_s * 25)


def test_reading_twice_gives_the_same(event: Event, tmp_path: Path) -> None:
    path = make_clip(tmp_path / "a.mp4", count=20, noise=True)
    take = add_clip(event, path, settings=SETTINGS)
    reader = open_take(event, take)
    once, twice = list(reader.frames()), list(reader.frames())
    for one, other in zip(once, twice, strict=True):
        assert one.pts == other.pts
        assert all(torch.equal(a, b) for a, b in zip(one.planes, other.planes, strict=True))
    clip = Clip(path, paced=False)
    clip.open()
    first = clip.read()
    clip.close()
    assert first is not None
    assert first.index == once[0].index == 0
