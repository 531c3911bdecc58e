"""What an encoder is told and gives, and which one is taken. Read back by the media library."""

from __future__ import annotations

import errno
import math
import os
import subprocess
import sys
from fractions import Fraction
from pathlib import Path

import av
import numpy as np
import pytest

from stream.film.encoder import (
    HARDWARE,
    EncoderError,
    software,
    video_frame,
    write_piece,
)
from stream.film.probe import tried
from tests.stream.film.planes import SIZE, decoded, packets, ramp, stacked

NTSC = Fraction(30000, 1001)


def write(path: Path, count: int = 30, threads: int = 2, group: int = 60) -> Path:
    pictures = [ramp(i) for i in range(count)]
    assert write_piece(path, software(threads), SIZE, NTSC, group, pictures) == count
    return path


def test_the_tags_are_those_of_bt_709(tmp_path: Path) -> None:
    """H.273: 1 is BT.709 for primaries, transfer and matrix; range 1 is narrow ("mpeg")."""
    with av.open(str(write(tmp_path / "piece.mkv"))) as container:
        stream = container.streams.video[0]
        context = stream.codec_context
        assert (stream.width, stream.height) == (SIZE[1], SIZE[0])
        assert context.profile == "High"
        assert context.pix_fmt == "yuv420p"
        assert (context.color_primaries, context.color_trc) == (1, 1)
        assert (context.colorspace, context.color_range) == (1, 1)
        assert stream.average_rate == NTSC
        frame = next(container.decode(stream))
        assert (frame.colorspace, frame.color_range) == (1, 1)


def test_pictures_come_back_nearly_as_they_were_and_in_order(tmp_path: Path) -> None:
    back = decoded([write(tmp_path / "piece.mkv")])
    assert len(back) == 30
    for i, picture in enumerate(back):
        want = stacked(ramp(i)).astype(float)
        others = stacked(ramp(i + 3)).astype(float)
        assert abs(picture - want).mean() < 2
        assert abs(picture - want).mean() < abs(picture - others).mean() / 4


def test_timestamps_begin_at_nought_and_follow_the_rate(tmp_path: Path) -> None:
    stamps = sorted(p[0] or 0 for p in packets(write(tmp_path / "piece.mkv")))
    # Matroska's are whole milliseconds (RFC 9559, TimestampScale).
    assert stamps == [math.floor(i * 1001 / 30 + 0.5) for i in range(30)]


def test_every_piece_begins_with_a_key_frame_and_needs_nothing_of_another(tmp_path: Path) -> None:
    path = write(tmp_path / "piece.mkv", count=25, group=10)
    with av.open(str(path)) as container:
        coded = [p for p in container.demux(video=0) if p.size]
    keys = [i for i, p in enumerate(coded) if p.is_keyframe]
    assert keys[0] == 0
    assert len(keys) >= 3
    # Closed: no picture after a key frame in the file is shown before it.
    for key in keys:
        assert all((p.pts or 0) >= (coded[key].pts or 0) for p in coded[key:])


def test_the_same_pictures_give_the_same_bytes(tmp_path: Path) -> None:
    for threads in (1, 2, 3):
        first, second = (write(tmp_path / f"{threads}-{i}.mkv", 20, threads) for i in range(2))
        assert first.read_bytes() == second.read_bytes()
        assert len(packets(first)) == 20


_AMID_USED_MEMORY = """
import random, sys
from fractions import Fraction
from pathlib import Path
import numpy as np
from stream.film.encoder import software, write_piece
from stream.film.probe import tried
from tests.stream.film.planes import taken
folder, found = Path(sys.argv[1]), set()
pictures = [frame.planes for frame in taken(16, sway=3.0)]
for turn in range(6):
    chance, blocks = random.Random(turn), []
    for _ in range(120):
        block = np.full(int(10 ** chance.uniform(3, 6.5)), chance.randrange(256), np.uint8)
        block[::7] = chance.randrange(256)
        blocks.append(block)
    chance.shuffle(blocks)
    del blocks, block
    path = folder / f"{turn}.mkv"
    write_piece(path, software(2), (160, 240), Fraction(30), 60, pictures)
    found.add(path.read_bytes())
print(len(found))
"""


def test_what_memory_held_before_decides_nothing(tmp_path: Path) -> None:
    """Freed blocks are handed out again as they are (glibc, mallopt(3)), full of other bytes."""
    most = str(1 << 30)
    kept = {"MALLOC_MMAP_THRESHOLD_": most, "MALLOC_TRIM_THRESHOLD_": most}
    done = subprocess.run(
        [sys.executable, "-c", _AMID_USED_MEMORY, str(tmp_path)],
        cwd=Path(__file__).resolve().parents[3],
        env={**os.environ, **kept, "MALLOC_TOP_PAD_": str(1 << 28)},
        capture_output=True,
        text=True,
        check=True,
    )
    assert done.stdout.strip() == "1"


def test_parameter_sets_are_the_same_in_all_pieces(tmp_path: Path) -> None:
    """So that pieces are put together without coding anything anew (ISO/IEC 14496-15)."""
    found = set()
    for i, count in enumerate((1, 7, 30)):
        with av.open(str(write(tmp_path / f"{i}.mkv", count))) as container:
            found.add(container.streams.video[0].codec_context.extradata)
    assert len(found) == 1


def test_semi_planar_frames_hold_the_same_codes() -> None:
    planes = ramp(3)
    frame = video_frame(planes, "nv12")
    assert frame.format.name == "nv12"
    back = frame.reformat(format="yuv420p", src_color_range=1, dst_color_range=1, threads=1)
    np.testing.assert_array_equal(back.to_ndarray(), stacked(planes))


# --- what goes wrong -------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["h264_nvenc", "h264_qsv", "h264_amf"])
def test_an_encoder_without_its_hardware_is_a_sentence(name: str, tmp_path: Path) -> None:
    coding = next(c for c in HARDWARE if c.encoder == name)
    if tried(coding, SIZE, Fraction(30)) is None:
        pytest.skip("this machine has it")
    with pytest.raises(EncoderError, match=f"the encoder {name} failed .*render the take once"):
        write_piece(tmp_path / "x.mkv", coding, SIZE, Fraction(30), 60, [ramp(0)] * 5)


def test_a_full_disk_stays_the_disk_s_own_error(tmp_path: Path) -> None:
    full = Path("/dev/full")
    if not full.exists():
        pytest.skip("no such device")
    with pytest.raises(OSError, match="space") as caught:
        write_piece(full, software(1), SIZE, Fraction(30), 60, [ramp(i) for i in range(90)])
    assert caught.value.errno == errno.ENOSPC
