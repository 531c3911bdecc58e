"""Clips: planes bit for bit, tags, timestamps, pacing, rotation, and files that are not whole.

Check values: colour bars of SMPTE RP 219-1; display matrices of ISO/IEC 14496-12.
"""

from __future__ import annotations

import gc
import threading
from datetime import UTC, datetime
from fractions import Fraction
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
import torch
from PIL import Image

from models.color import Encoding, Matrix, Range, Siting, planes_to_rgb
from models.transfer import Transfer
from stream.capture.clip import Clip, Pace
from stream.capture.errors import SourceError
from stream.capture.frame import Frame
from tests.stream.capture.media_files import bars, make_clip, same


def frames_of(clip: Clip) -> list[Frame]:
    clip.open()
    found = []
    while (frame := clip.read()) is not None:
        found.append(frame)
    clip.close()
    return found


def read_all(path: Path, **settings: object) -> list[Frame]:
    return frames_of(Clip(path, paced=False, **settings))  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("codec", "suffix", "options"),
    [("ffv1", ".mkv", {}), ("libx264", ".mp4", {"qp": "0"}), ("rawvideo", ".nut", {})],
)
def test_lossless_bars_come_back_as_the_same_planes(
    tmp_path: Path, codec: str, suffix: str, options: dict[str, str]
) -> None:
    planes = bars(64, 48)
    path = make_clip(tmp_path / f"bars{suffix}", planes, codec=codec, options=options, count=3)
    found = read_all(path)
    assert len(found) == 3
    for frame in found:
        for got, want in zip(frame.planes, planes, strict=True):
            assert got.dtype is torch.uint8
            assert same(got, want)


def test_tagged_bars_decode_to_their_colours(tmp_path: Path) -> None:
    tags = {"colorspace": 1, "color_range": 1, "color_trc": 1, "color_primaries": 1}
    path = make_clip(tmp_path / "b.mkv", bars(64, 48), codec="ffv1", count=1, tags=tags)
    (frame,) = read_all(path)
    assert frame.encoding == Encoding(Matrix.BT709, Range.NARROW, Transfer.BT709, Siting.LEFT, 8)
    rgb = planes_to_rgb(frame.planes, frame.encoding)[0, :, 24, 4::8]
    want = torch.tensor(  # 75 % bars: every channel is .75 or 0
        [[1, 1, 0, 0, 1, 1, 0, 0], [1, 1, 1, 1, 0, 0, 0, 0], [1, 0, 1, 0, 1, 0, 1, 0]]
    )
    assert torch.allclose(rgb, want * 0.75, atol=1 / 219)


def test_ten_bit_planes_are_int32_and_exact(tmp_path: Path) -> None:
    planes = tuple(p + 3 for p in bars(64, 48, 4))
    path = make_clip(tmp_path / "b.mkv", planes, codec="ffv1", pixel="yuv420p10le", count=1)
    (frame,) = read_all(path)
    assert frame.encoding.depth == 10
    assert frame.planes[0].dtype is torch.int32
    assert all(same(g, w) for g, w in zip(frame.planes, planes, strict=True))


def test_rgb_planes_come_in_the_order_red_green_blue(tmp_path: Path) -> None:
    full = np.ones((48, 64), np.uint16)
    path = make_clip(
        tmp_path / "g.nut",
        (full * 20, full * 30, full * 10),  # the format's own order is G, B, R
        codec="rawvideo",
        pixel="gbrp",
        options={"qp": "0"},
        count=1,
    )
    (frame,) = read_all(path)
    assert [int(p[0, 0]) for p in frame.planes] == [10, 20, 30]
    assert frame.encoding == Encoding(Matrix.RGB, Range.FULL, Transfer.SRGB, Siting.CENTER, 8)


def test_mjpeg_and_hevc_are_read_with_their_own_tags(tmp_path: Path) -> None:
    (jpeg, *_) = read_all(make_clip(tmp_path / "j.avi", codec="mjpeg", pixel="yuvj420p"))
    assert jpeg.encoding == Encoding(Matrix.BT601, Range.FULL, Transfer.SRGB, Siting.CENTER, 8)
    quiet = {"x265-params": "log-level=none"}
    tags = {"colorspace": 9, "color_primaries": 9, "color_trc": 14}
    path = make_clip(
        tmp_path / "h.mp4", codec="libx265", pixel="yuv420p10le", options=quiet, tags=tags
    )
    said: list[str] = []
    (hevc, *_) = read_all(path, say=said.append)
    assert hevc.encoding == Encoding(
        Matrix.BT2020, Range.NARROW, Transfer.BT709, Siting.TOP_LEFT, 10
    )
    assert len([s for s in said if "paler" in s]) == 1


def test_frames_keep_their_own_memory(tmp_path: Path) -> None:
    found = read_all(make_clip(tmp_path / "a.mkv", codec="ffv1", count=6))
    assert [int(f.planes[0][0, 0]) for f in found] == [20, 30, 40, 50, 60, 70]
    assert [f.index for f in found] == [0, 1, 2, 3, 4, 5]
    assert all(p.is_contiguous() for f in found for p in f.planes)


def test_odd_and_single_pixel_pictures(tmp_path: Path) -> None:
    for size in ((1, 1), (7, 5)):
        path = make_clip(tmp_path / f"{size[0]}.mkv", codec="ffv1", size=size, count=1)
        (frame,) = read_all(path)
        assert tuple(frame.planes[0].shape) == (size[1], size[0])
        assert planes_to_rgb(frame.planes, frame.encoding).shape == (1, 3, size[1], size[0])


ONE = 1 << 16
LAST = 1 << 30
MATRICES = {
    0: [ONE, 0, 0, 0, ONE, 0, 0, 0, LAST],
    1: [0, ONE, 0, -ONE, 0, 0, 0, 0, LAST],  # what a telephone held upright writes
    2: [-ONE, 0, 0, 0, -ONE, 0, 0, 0, LAST],
    3: [0, -ONE, 0, ONE, 0, 0, 0, 0, LAST],
}


@pytest.mark.parametrize("turns", [0, 1, 2, 3])
def test_display_matrix_becomes_quarter_turns(tmp_path: Path, turns: int) -> None:
    path = make_clip(tmp_path / "r.mp4", matrix=MATRICES[turns], count=2)
    found = read_all(path)
    assert [f.quarter_turns for f in found] == [turns, turns]
    assert found[0].upright_size == ((64, 48) if turns % 2 else (48, 64))
    assert read_all(path, quarter_turns=3)[0].quarter_turns == 3


def test_frames_are_freed_without_a_collection(tmp_path: Path) -> None:
    path = make_clip(tmp_path / "r.mp4", matrix=MATRICES[1], count=30)
    clip = Clip(path, paced=False)
    clip.open()
    assert clip.read() is not None
    gc.collect()
    gc.disable()
    try:
        for _ in range(20):
            assert clip.read() is not None
        assert gc.collect() < 20  # one a frame, or more, where frames lie in cycles
    finally:
        gc.enable()
    clip.close()


def test_mirroring_display_matrix_flips_the_planes(tmp_path: Path) -> None:
    planes = bars(64, 48)
    mirror = [-ONE, 0, 0, 0, ONE, 0, 0, 0, LAST]
    path = make_clip(tmp_path / "m.mp4", planes, matrix=mirror, count=1, options={"qp": "0"})
    (frame,) = read_all(path)
    assert frame.quarter_turns == 0
    assert same(frame.planes[0], planes[0][:, ::-1])


class Clock:
    """A clock that only moves when somebody sleeps."""

    def __init__(self) -> None:
        self.now = 100.0
        self.slept: list[float] = []

    def __call__(self) -> float:
        return self.now

    def sleep(self, seconds: float) -> None:
        self.slept.append(seconds)
        self.now += seconds


def test_paced_frames_arrive_at_their_timestamps(tmp_path: Path) -> None:
    path = make_clip(tmp_path / "a.mp4", rate=10, count=5)
    clock = Clock()
    found = frames_of(Clip(path, clock=clock, sleep=clock.sleep))
    assert [f.arrived_s for f in found] == pytest.approx([100.0, 100.1, 100.2, 100.3, 100.4])
    times = [float(f.pts * f.time_base) for f in found if f.pts is not None and f.time_base]
    assert times == pytest.approx([0, 0.1, 0.2, 0.3, 0.4])
    clock = Clock()
    frames_of(Clip(path, paced=False, clock=clock, sleep=clock.sleep))
    assert clock.slept == []


def test_pace_does_not_race_after_a_pause_and_skips_gaps_in_the_timestamps() -> None:
    clock = Clock()
    pace = Pace(clock, clock.sleep)
    pace.wait(0.0)
    clock.now += 30  # the reader was held up
    pace.wait(0.1)
    pace.wait(0.2)
    pace.wait(500.2)  # an edit: not 500 s of standstill
    pace.wait(500.3)
    pace.wait(0.0)  # the time line begins again
    pace.wait(0.1)
    assert clock.slept == pytest.approx([0.1, 0.1, 0.1])


def test_a_loop_runs_on_in_time(tmp_path: Path) -> None:
    clip = Clip(make_clip(tmp_path / "a.mp4", count=4), paced=False, loop=True)
    clip.open()
    found = [clip.read() for _ in range(10)]
    clip.close()
    frames = [f for f in found if f is not None]
    assert len(frames) == 10
    times = [f.pts * f.time_base for f in frames if f.pts is not None and f.time_base is not None]
    assert [b - a for a, b in pairwise(times)] == [Fraction(1, 25)] * 9
    assert clip.read() is None


def test_the_cameras_date_is_kept(tmp_path: Path) -> None:
    path = make_clip(tmp_path / "d.mp4", metadata={"creation_time": "2031-05-06T07:08:09Z"})
    found = read_all(path)
    assert found[0].taken == datetime(2031, 5, 6, 7, 8, 9, tzinfo=UTC)
    assert (found[5].taken - found[0].taken).total_seconds() == pytest.approx(0.2)


def test_a_clip_that_was_cut_off_plays_what_is_there_and_says_so(tmp_path: Path) -> None:
    path = make_clip(
        tmp_path / "t.mp4",
        count=50,
        noise=True,
        options={"g": "10"},
        container={"movflags": "faststart"},
    )
    data = path.read_bytes()
    path.write_bytes(data[: len(data) // 2])
    said: list[str] = []
    found = read_all(path, say=said.append)
    assert 20 <= len(found) <= 26
    assert len([s for s in said if "cut off" in s]) == 1


@pytest.mark.parametrize("suffix", ["mp4", "mkv", "ts"])
def test_damage_in_the_middle_is_passed_over(tmp_path: Path, suffix: str) -> None:
    path = make_clip(tmp_path / f"c.{suffix}", count=50, noise=True, options={"g": "5", "bf": "0"})
    data = bytearray(path.read_bytes())
    middle = len(data) // 2
    data[middle : middle + 3000] = bytes((i * 73 + 11) % 256 for i in range(3000))
    path.write_bytes(data)
    said: list[str] = []
    found = read_all(path, say=said.append)
    assert len(found) >= 40
    last = found[-1]
    assert last.pts is not None
    assert last.time_base is not None
    assert float(last.pts * last.time_base) > 1.8
    if suffix != "mkv":  # its reader finds the next whole piece without a word
        assert any("damaged" in s for s in said)


def test_close_wakes_a_paced_read(tmp_path: Path) -> None:
    clip = Clip(make_clip(tmp_path / "slow.mp4", rate=1, count=5))
    clip.open()
    clip.read()
    reader = threading.Thread(target=clip.read)
    reader.start()
    clip.close()
    reader.join(0.9)
    assert not reader.is_alive()


def test_a_clip_with_no_picture_in_it_is_refused(tmp_path: Path) -> None:
    path = make_clip(tmp_path / "x.mkv", count=3)
    data = path.read_bytes()
    path.write_bytes(data[:400])
    with pytest.raises(SourceError, match=r"x\.mkv: holds no"):
        read_all(path)


def test_pictures_with_camera_data_are_read(tmp_path: Path) -> None:
    # Exif as cameras and their network streams write it (CIPA DC-008); PyAV has no name for it.
    exif = Image.Exif()
    exif[0x010F] = "maker"
    path = tmp_path / "camera.mjpeg"
    picture = Image.new("RGB", (64, 48), (30, 180, 60))
    with path.open("wb") as file:
        for _ in range(3):
            picture.save(file, "JPEG", exif=exif)
    source = Clip(path, paced=False)
    source.open()
    frames = [source.read() for _ in range(3)]
    source.close()
    assert [f.upright_size for f in frames if f is not None] == [(48, 64)] * 3
