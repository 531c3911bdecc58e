"""A film put together: in step, of the right form, the same each time, and read back."""

from __future__ import annotations

import struct
import subprocess
import sys
from collections.abc import Iterator
from fractions import Fraction
from pathlib import Path

import av
import numpy as np
import pytest

from stream.durable import PARTIAL
from stream.film.mux import ColourTags, MuxError, PiecesDifferError, mux
from stream.sound.loudness import measure
from stream.sound.mixing import make_sound
from tests.stream.film.marked import (
    SIDE,
    beeps,
    heard,
    heard_beeps,
    pieces,
    seen_flashes,
    speech,
    write_piece,
    write_sound,
)

NTSC = Fraction(30_000, 1001)
SAID = {
    "title": "Feast",
    "artist": "Ada",
    "comment": "0123456789abcdef0123456789abcdef",
    "creation_time": "2026-11-28T12:00:00+00:00",
}
# EBU R37: sound may be 5 ms early and 15 ms late, a stage.
EARLY_S, LATE_S = 0.005, 0.015


def flashing(times_s: list[float], count: int, rate: Fraction) -> list[bool]:
    at = {round(t * rate) for t in times_s}
    return [n in at or n - 1 in at for n in range(count)]


def boxes(data: bytes, path: tuple[bytes, ...] = ()) -> Iterator[tuple[tuple[bytes, ...], bytes]]:
    """The boxes of an MP4 file with their paths, ISO/IEC 14496-12, 4.2."""
    at = 0
    while at + 8 <= len(data):
        size, kind = struct.unpack(">I4s", data[at : at + 8])
        head = 8
        if size == 1:
            size, head = struct.unpack(">Q", data[at + 8 : at + 16])[0], 16
        if size < head:
            return
        body = data[at + head : at + size]
        yield (*path, kind), body
        if kind in (b"moov", b"trak", b"mdia", b"minf", b"stbl", b"edts"):
            yield from boxes(body, (*path, kind))
        elif kind == b"stsd":
            yield from boxes(body[8:], (*path, kind))
        elif kind == b"avc1":
            yield from boxes(body[78:], (*path, kind))
        at += size


@pytest.mark.parametrize(
    ("rate", "sound_rate", "options"),
    [
        (NTSC, 44_100, {}),
        (NTSC, 48_000, {"bf": "3", "b-pyramid": "normal", "preset": "veryfast"}),
        (Fraction(25), 48_000, {"bf": "0"}),
        (Fraction(60), 44_100, {"bf": "3", "b-pyramid": "strict", "preset": "veryfast"}),
    ],
)
def test_sound_and_picture_are_in_step(
    tmp_path: Path, rate: Fraction, sound_rate: int, options: dict[str, str]
) -> None:
    """At every mark within what EBU R37 lets a stage be off, and far within it."""
    count = round(9 * rate) + 1
    times = [round(t * rate) / rate for t in (0.5, 1.6, 2.0, 3.7, 5.0, 6.6, 8.0, 8.6)]
    seconds = [float(t) for t in times]
    film, sound = tmp_path / "film.mp4", tmp_path / "sound.flac"
    take = write_sound(tmp_path / "t.mkv", beeps(seconds, sound_rate, 9.5), sound_rate)
    make_sound(take, 0.0, 9.5, 0.0, None, float(count / rate), sound)
    mux(pieces(tmp_path, flashing(seconds, count, rate), rate, options=options), sound, film, rate)
    flashes = np.array(seen_flashes(film))
    assert flashes == pytest.approx(sorted(set(seconds)), abs=1e-4)
    off = np.array(heard_beeps(film, list(flashes))) - flashes
    assert (off >= -EARLY_S).all()
    assert (off <= LATE_S).all()
    assert np.abs(off).max() < 0.001


def test_no_drift_in_five_minutes_of_recording_whose_clock_runs_off(tmp_path: Path) -> None:
    """Less than 5 ms: a 44.1 kHz clock 90 millionths off, timestamps in whole milliseconds."""
    count, true_rate = 8991, 44_100 * (1 + 90e-6)
    times = [n / float(NTSC) for n in range(30, count - 30, 300)]
    take = write_sound(
        tmp_path / "t.mkv",
        beeps(times, true_rate, 300.0),
        44_100,
        stamp=lambda first: first / true_rate,
    )
    film, sound = tmp_path / "film.mp4", tmp_path / "sound.flac"
    make_sound(take, 0.0, 300.0, 0.0, None, count / float(NTSC), sound)
    mux(pieces(tmp_path, flashing(times, count, NTSC), NTSC, 3000), sound, film, NTSC)
    flashes = np.array(seen_flashes(film))
    assert flashes == pytest.approx(times, abs=1e-4)
    off = np.array(heard_beeps(film, list(flashes))) - flashes
    assert (off >= -EARLY_S).all()
    assert (off <= LATE_S).all()
    assert np.ptp(off) < 0.005
    assert np.abs(off).max() < 0.001


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, list[Path], Path]:
    """A film of 4.004 s, its pieces and its sound."""
    folder = tmp_path_factory.mktemp("film")
    parts = pieces(folder, flashing([1.001], 120, NTSC), NTSC, options={"preset": "veryfast"})
    take = write_sound(folder / "t.mkv", speech(4.004, rate=44_100), 44_100)
    make_sound(take, 0.0, 4.004, 0.0, None, 120 / float(NTSC), folder / "sound.flac")
    mux(parts, folder / "sound.flac", folder / "film.mp4", NTSC, metadata=SAID)
    return folder / "film.mp4", parts, folder / "sound.flac"


def test_its_streams_and_tags_are_read_back(made: tuple[Path, list[Path], Path]) -> None:
    with av.open(str(made[0])) as file:
        assert [s.type for s in file.streams] == ["video", "audio"]
        picture, sound = file.streams.video[0], file.streams.audio[0]
        context = picture.codec_context
        assert (context.name, context.profile) == ("h264", "High")
        assert (context.width, context.height, context.pix_fmt) == (SIDE, SIDE, "yuv420p")
        assert picture.average_rate == NTSC
        assert picture.frames == 120
        tags = (context.color_primaries, context.color_trc, context.colorspace)
        assert (*tags, context.color_range) == (1, 1, 1, 1)
        assert (sound.codec_context.name, sound.codec_context.profile) == ("aac", "LC")
        assert (sound.codec_context.sample_rate, sound.codec_context.layout.name) == (
            48_000,
            "stereo",
        )
        assert (picture.start_time, sound.start_time, file.start_time) == (0, 0, 0)
        seconds = [float((s.duration or 0) * (s.time_base or 0)) for s in (picture, sound)]
        assert seconds == pytest.approx([4.004, 4.004], abs=0.0011)
        said = dict(file.metadata)
        assert said["creation_time"] == "2026-11-28T12:00:00.000000Z"
        assert {k: said[k] for k in ("title", "artist", "comment")} == {
            k: SAID[k] for k in ("title", "artist", "comment")
        }
        for frame in file.decode(video=0):
            assert frame.rotation == 0
            break


def test_pictures_and_samples_begin_at_0(made: tuple[Path, list[Path], Path]) -> None:
    with av.open(str(made[0])) as file:
        times = [frame.time for frame in file.decode(video=0)]
    assert times == pytest.approx([n / float(NTSC) for n in range(120)], abs=1e-5)
    samples, first_s = heard(made[0])
    want, _ = heard(made[2])
    assert first_s == 0.0
    n = want.shape[1]
    assert n <= samples.shape[1] < n + 1024
    close = np.corrcoef(samples[0, :n], want[0])[0, 1]
    assert close > 0.99
    for shift in (-40, 40):
        assert np.corrcoef(np.roll(samples[0, :n], shift), want[0])[0, 1] < close


def test_the_file_itself(made: tuple[Path, list[Path], Path]) -> None:
    data = made[0].read_bytes()
    found = list(boxes(data))
    top = [path[0] for path, _ in found if len(path) == 1]
    assert top.index(b"moov") < top.index(b"mdat"), "the index comes first"
    colours = [body for path, body in found if path[-1] == b"colr"]
    assert colours == [b"nclx" + bytes([0, 1, 0, 1, 0, 1, 0])]
    edits = [body for path, body in found if path[-1] == b"elst"]
    (picture, sound) = (struct.unpack(">Iii", e[8:20]) for e in edits)
    assert all(struct.unpack(">I", e[4:8]) == (1,) for e in edits)
    assert picture[1] == 1001, "one picture is decoded before the first is shown"
    assert sound[1] == 1024, "the samples of AAC before the first"
    heads = [body for path, body in found if path[-1] == b"tkhd"]
    for head in heads:  # ISO/IEC 14496-12, 8.3.2: the unity matrix, no rotation
        matrix = struct.unpack(">9i", head[40:76])
        assert matrix == (65536, 0, 0, 0, 65536, 0, 0, 0, 1 << 30)


def test_pictures_are_copied_and_not_coded_anew(made: tuple[Path, list[Path], Path]) -> None:
    def luma(path: Path) -> list[bytes]:
        with av.open(str(path)) as file:
            return [frame.to_ndarray().tobytes() for frame in file.decode(video=0)]

    assert luma(made[0]) == [p for piece in made[1] for p in luma(piece)]


def test_peaks_stay_held_after_coding(made: tuple[Path, list[Path], Path]) -> None:
    reading = measure(made[0])
    assert reading.true_peak_dbtp is not None
    assert reading.true_peak_dbtp <= -1.0
    assert reading.integrated_lufs == pytest.approx(-16.0, abs=0.5)


def test_tags_reach_the_stream_itself(tmp_path: Path) -> None:
    """Pieces that say nothing; what is read is the parameter set's, not the file's box."""
    parts = pieces(tmp_path, [False] * 10, NTSC)
    mux(parts, None, tmp_path / "film.mp4", NTSC, ColourTags(9, 14, 9, full_range=True))
    with av.open(str(tmp_path / "film.mp4")) as file:
        extra = file.streams.video[0].codec_context.extradata
        packet = next(p for p in file.demux(video=0) if p.size)
        bare = av.CodecContext.create("h264", "r")
        bare.extradata = extra
        frames = [*bare.decode(packet), *bare.decode(None)]
    assert (frames[0].color_primaries, frames[0].color_trc) == (9, 14)
    assert (int(frames[0].colorspace), int(frames[0].color_range)) == (9, 2)


def test_the_same_again_is_the_same_file(made: tuple[Path, list[Path], Path]) -> None:
    again = made[0].with_name("again.mp4")
    mux(made[1], made[2], again, NTSC, metadata=SAID)
    assert again.read_bytes() == made[0].read_bytes()


@pytest.mark.parametrize("counts", [[1], [1, 1, 1], [2, 60, 1]])
def test_pieces_of_any_length(tmp_path: Path, counts: list[int]) -> None:
    parts = [
        write_piece(tmp_path / f"{n}.mkv", [n == 1] * count, NTSC) for n, count in enumerate(counts)
    ]
    mux(parts, None, tmp_path / "film.mp4", NTSC)
    with av.open(str(tmp_path / "film.mp4")) as file:
        times = [frame.time for frame in file.decode(video=0)]
        assert not file.streams.audio
    assert times == pytest.approx([n / float(NTSC) for n in range(sum(counts))], abs=1e-5)


def _cut(path: Path) -> None:
    path.write_bytes(path.read_bytes()[:200])


@pytest.mark.parametrize(
    ("harm", "error", "words"),
    [
        (Path.unlink, MuxError, "piece-0001.mkv is damaged"),
        (_cut, MuxError, "piece-0001.mkv is damaged"),
        (lambda p: p.write_bytes(b""), MuxError, "piece-0001.mkv is damaged"),
        (lambda p: write_piece(p, [False] * 5, Fraction(25)), MuxError, "lasts"),
        (
            lambda p: write_piece(p, [False] * 5, NTSC, {"bf": "0"}),
            PiecesDifferError,
            "differently",
        ),
    ],
)
def test_pieces_that_do_not_fit_are_refused(
    tmp_path: Path, harm: object, error: type[MuxError], words: str
) -> None:
    parts = pieces(tmp_path, [False] * 90, NTSC, 30, {"preset": "veryfast"})
    assert callable(harm)
    harm(parts[1])
    with pytest.raises(error, match=words):
        mux(parts, None, tmp_path / "film.mp4", NTSC)
    left = [p.name for p in tmp_path.iterdir()]
    assert "film.mp4" not in left
    assert not [name for name in left if name.startswith(PARTIAL)]


def test_a_film_of_nothing_is_refused(tmp_path: Path) -> None:
    with pytest.raises(MuxError, match="at least one piece"):
        mux([], None, tmp_path / "film.mp4", NTSC)


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (lambda p: p.write_bytes(b"no sound"), "sound"),
        (lambda p: None, "missing"),
        (lambda p: make_sound(None, 0, 0, 0, None, 0.5, p), "lasts 0.50 s"),
    ],
)
def test_sound_that_does_not_belong_is_refused(tmp_path: Path, make: object, words: str) -> None:
    assert callable(make)
    make(tmp_path / "sound.flac")
    parts = pieces(tmp_path, [False] * 30, NTSC)
    with pytest.raises(MuxError, match=words):
        mux(parts, tmp_path / "sound.flac", tmp_path / "film.mp4", NTSC)
    assert not (tmp_path / "film.mp4").exists()


def test_a_full_disk_is_told_in_one_sentence(
    made: tuple[Path, list[Path], Path], tmp_path: Path
) -> None:
    """A child process that may write no file larger than 2 kB stands for a full disk."""
    code = (
        "import resource, signal, sys; from pathlib import Path; from fractions import Fraction\n"
        "from stream.film.mux import mux\n"
        "from stream.sound.mixing import make_sound\n"
        "from stream.errors import UserError\n"
        "signal.signal(signal.SIGXFSZ, signal.SIG_IGN)\n"
        "resource.setrlimit(resource.RLIMIT_FSIZE, (2000, 2000))\n"
        "pieces, sound, out = [Path(p) for p in sys.argv[3:]], Path(sys.argv[2]), sys.argv[1]\n"
        "for make in (lambda: mux(pieces, sound, Path(out + '.mp4'), Fraction(30000, 1001)),\n"
        "    lambda: make_sound(sound, 0, 4, 0, None, 4, Path(out + '.flac'))):\n"
        "    try:\n"
        "        make()\n"
        "    except UserError as e:\n"
        "        print(e)\n"
    )
    words = [str(tmp_path / "film"), str(made[2]), *map(str, made[1])]
    done = subprocess.run(
        [sys.executable, "-c", code, *words], capture_output=True, text=True, check=False
    )
    assert done.stdout.count("was not kept") == 2, done.stdout + done.stderr
    assert done.returncode == 0, done.stderr
    assert not list(tmp_path.iterdir())
