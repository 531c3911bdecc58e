"""Decoding on a graphics card: exact, and taken over by software without a lost frame.

What a card must give is what software gives: ITU-T H.264 and H.265 and the VP9 bitstream
specification fix every code value. Where a test has no card, a second software decoder, told as
little as a card's, stands in its place, and breaks where the test says.
"""

from __future__ import annotations

import logging
from collections.abc import Callable
from pathlib import Path

import av
import numpy as np
import pytest
import torch
from av.codec.context import CodecContext, Flags, ThreadType
from av.video.codeccontext import VideoCodecContext
from av.video.frame import PictureType

from stream.capture.card import CardDecoder, CardError, semi_planar
from stream.capture.clip import Clip
from stream.capture.decoder import Decoder, cores
from stream.capture.frame import Frame
from stream.capture.media import Framer, local_now
from stream.capture.planes import planes_of
from tests.stream.capture.media_files import make_clip

QUIET = {"preset": "ultrafast", "x265-params": "log-level=error"}
TURNED = (0, 1 << 16, 0, -(1 << 16), 0, 0, 0, 0, 1 << 30)
Made = list["SecondDecoder"]


class SecondDecoder(CardDecoder):
    """A decoder of its own beside the container's; raises at chosen packets."""

    def __init__(self, software: VideoCodecContext, wrong: dict[int, Exception]) -> None:
        context = CodecContext.create(software.name, "r")
        assert isinstance(context, VideoCodecContext)
        context.extradata = software.extradata
        context.reorder_depth = software.reorder_depth
        context.flags |= Flags.copy_opaque
        self._context = context
        self._wrong = wrong
        self._count = 0

    def decode(self, packet: av.Packet[av.VideoStream]) -> list[av.VideoFrame]:
        self._count += 1
        if self._count - 1 in self._wrong:
            raise self._wrong[self._count - 1]
        return self._context.decode(packet)


def second(made: Made, wrong: dict[int, Exception]) -> Callable[..., CardDecoder]:
    def make(software: VideoCodecContext, device: str) -> CardDecoder:
        made.append(SecondDecoder(software, wrong))
        return made[-1]

    return make


def run(
    path: Path, wrong: dict[int, Exception] | None = None, before: Decoder | None = None
) -> tuple[list[av.VideoFrame], Decoder, Made]:
    """Frames of a clip whose card goes wrong at some packets; None: in software throughout."""
    made: Made = []
    with av.open(str(path)) as container:
        stream = container.streams.video[0]
        device = "cpu" if wrong is None else "cuda"
        decoder = Decoder(stream, path.name, device, before, second(made, wrong or {}))
        frames = []
        for packet in container.demux(stream):
            try:
                frames += decoder.decode(packet)
            except av.error.InvalidDataError:
                continue
        return frames, decoder, made


def alike(some: list[av.VideoFrame], others: list[av.VideoFrame]) -> bool:
    told = [(f.pts, f.time_base) for f in some] == [(f.pts, f.time_base) for f in others]
    values = (
        np.array_equal(f.to_ndarray(), g.to_ndarray()) for f, g in zip(some, others, strict=True)
    )
    return told and all(values)


def played(path: Path, device: str, count: int) -> list[Frame]:
    """The first frames of a clip that begins again at its end."""
    source = Clip(path, paced=False, loop=True, device=device)
    source.open()
    frames = [source.read() for _ in range(count)]
    source.close()
    return [f for f in frames if f is not None]


def damage() -> av.error.InvalidDataError:
    return av.error.InvalidDataError(0x4144494E, "damaged")


@pytest.fixture
def clip(tmp_path: Path) -> Path:
    """Frames that lean on later ones, a key frame every 8."""
    options = {"x264-params": "keyint=8:bframes=2:b-adapt=0:scenecut=0"}
    return make_clip(tmp_path / "a.mp4", count=30, noise=True, options=options)


@pytest.mark.parametrize("pixel", ["nv12", "p010le"])
def test_samples_in_turn_become_planes(pixel: str) -> None:
    frame = av.VideoFrame(18, 6, pixel)
    generator = np.random.default_rng(2)
    for plane in frame.planes:
        plane.update(generator.integers(0, 256, plane.buffer_size, dtype=np.uint8).tobytes())
    got, (want, _) = semi_planar(frame), planes_of(frame, False)
    del frame
    for mine, other in zip(got, want, strict=True):
        assert mine.dtype is other.dtype
        assert torch.equal(mine, other)


def test_without_a_card_software_decodes_and_it_is_said_once(
    clip: Path, caplog: pytest.LogCaptureFixture
) -> None:
    want = played(clip, "cpu", 70)
    with caplog.at_level(logging.WARNING):
        got = played(clip, "cuda", 70)
    assert len(got) == 70
    assert [f.pts for f in got] == [f.pts for f in want]
    for mine, other in zip(got, want, strict=True):
        assert all(map(torch.equal, mine.on_host().planes, other.planes))
    if not torch.cuda.is_available():
        assert [r.message.split(" (")[0] for r in caplog.records] == [
            "a.mp4: the card does not decode it"
        ]


@pytest.mark.parametrize("at", [0, 1, 2, 7, 8, 9, 10, 11, 17, 29, 30])
def test_no_frame_is_lost_or_comes_twice_when_the_card_breaks(
    clip: Path, at: int, caplog: pytest.LogCaptureFixture
) -> None:
    want, _, _ = run(clip)
    assert len(want) == 30
    assert "B" in {PictureType(f.pict_type).name for f in want}
    with caplog.at_level(logging.WARNING):
        got, decoder, made = run(clip, {at: CardError("unplugged")})
    assert len(made) == 1
    assert alike(got, want)
    assert not decoder.on_card
    assert [r.message for r in caplog.records] == [
        "a.mp4: the card does not decode it (unplugged); software does"
    ]


RAW = {
    "closed.h264": ("libx264", {"x264-params": "keyint=8:bframes=2:b-adapt=0:scenecut=0"}),
    "open.h264": (
        "libx264",
        {"x264-params": "keyint=8:bframes=3:b-adapt=0:scenecut=0:open-gop=1:b-pyramid=normal"},
    ),
    "plain.h264": ("libx264", {"x264-params": "keyint=8:bframes=0:scenecut=0"}),
    "a.hevc": ("libx265", {"x265-params": "keyint=8:bframes=2:scenecut=0:log-level=error"}),
}


@pytest.mark.parametrize("name", RAW)
def test_of_a_raw_stream_no_frame_is_lost_or_comes_twice_either(tmp_path: Path, name: str) -> None:
    """Its frames have no timestamps, and with frames that lean on later ones come in new order."""
    codec, options = RAW[name]
    path = make_clip(tmp_path / name, codec=codec, count=30, noise=True, options=options)
    want, _, _ = run(path)
    assert len(want) == 30
    assert {f.pts for f in want} == {None}
    assert {f.opaque for f in run(path, {})[0]} == {(n,) for n in range(30)}
    for at in range(31):
        got, decoder, _ = run(path, {at: CardError("unplugged")})
        assert not decoder.on_card
        assert len(got) == 30, at
        assert alike(got, want), at


def test_a_raw_streams_packets_are_let_go_behind_its_key_frames(tmp_path: Path) -> None:
    codec, options = RAW["open.h264"]
    path = make_clip(tmp_path / "a.h264", codec=codec, count=60, noise=True, options=options)
    with av.open(str(path)) as container:
        stream = container.streams.video[0]
        decoder = Decoder(stream, path.name, "cuda", None, second([], {}))
        most = given = 0
        for packet in container.demux(stream):
            decoder.decode(packet)
            most, given = max(most, len(decoder._kept)), max(given, len(decoder._given))
    assert 8 <= most < 20
    assert 8 <= given < 20  # what was given before a key frame is told by it alone


@pytest.mark.parametrize("at", [9, 10, 13, 17, 21, 29, 30])
def test_software_that_gives_later_than_the_card_gives_none_twice(clip: Path, at: int) -> None:
    """A decoder with a thread for each frame gives them when others are under way."""
    want, _, _ = run(clip)
    got: list[av.VideoFrame] = []
    with av.open(str(clip)) as container:
        stream = container.streams.video[0]
        decoder = Decoder(stream, clip.name, "cuda", None, second([], {at: CardError("unplugged")}))
        stream.thread_type, stream.codec_context.thread_count = ThreadType.FRAME, 6
        for packet in container.demux(stream):
            got += decoder.decode(packet)
    assert not decoder.on_card
    assert alike(got, want)


def test_frames_before_the_first_that_the_card_gave_do_not_come_again(clip: Path) -> None:
    """Software may give frames that lead a key frame, alone, and then those that the card gave."""
    with av.open(str(clip)) as container:
        stream = container.streams.video[0]
        decoder = Decoder(stream, clip.name, "cuda", None, second([], {}))
        frames = [f for packet in container.demux(stream) for f in decoder.decode(packet)]
    decoder._given = {f.pts for f in frames[4:6]}
    assert decoder._missing(frames[:4]) == []
    assert decoder._missing(frames[4:5]) == []
    assert decoder._missing(frames[5:9]) == frames[6:9]
    assert not decoder._given
    # What comes of packets that the card never saw is new, whatever its time.
    decoder._given = {f.pts for f in frames[4:6]}
    fresh = run(clip)[0][:2]
    assert [f.opaque for f in fresh] == [None, None]
    assert decoder._missing(fresh) == fresh


def test_a_card_that_refuses_the_first_packet_is_not_asked_again(clip: Path) -> None:
    got, decoder, _ = run(clip, {0: damage()})
    assert not decoder.on_card
    assert alike(got, run(clip)[0])


def test_damaged_pieces_are_the_lines_doing_until_they_are_many(clip: Path) -> None:
    _, decoder, _ = run(clip, {n: damage() for n in range(12, 16)})
    assert decoder.on_card
    got, decoder, _ = run(clip, {n: damage() for n in range(12, 25)})
    assert not decoder.on_card
    assert alike(got, run(clip)[0])


def test_a_card_goes_on_through_the_rounds_of_a_clip(clip: Path) -> None:
    want = run(clip)[0]
    first, decoder, made = run(clip, {})
    assert decoder.on_card
    again, later, none = run(clip, {}, before=decoder)
    assert (len(made), len(none)) == (1, 0)
    assert later.on_card
    assert alike(first, want)
    assert alike(again, want)


def test_a_card_that_broke_stays_out_of_later_rounds(
    clip: Path, caplog: pytest.LogCaptureFixture
) -> None:
    _, decoder, _ = run(clip, {5: CardError("unplugged")})
    caplog.clear()
    got, later, made = run(clip, {}, before=decoder)
    assert not later.on_card
    assert not made
    assert not caplog.records
    assert alike(got, run(clip)[0])


def test_the_containers_display_matrix_reaches_frames_of_a_card(tmp_path: Path) -> None:
    path = make_clip(tmp_path / "turned.mp4", matrix=TURNED)
    frames, decoder, _ = run(path, {})
    framer = Framer("turned.mp4", None, lambda _: None)
    turns = {
        framer.frame(
            f,
            "h264",
            pts=f.pts,
            time_base=f.time_base,
            arrived_s=0.0,
            taken=local_now(),
            matrix=decoder.display_matrix,
        ).quarter_turns
        for f in frames
    }
    source = Clip(path, paced=False)
    source.open()
    frame = source.read()
    source.close()
    assert frame is not None
    assert turns == {frame.quarter_turns} == {1}


@pytest.mark.parametrize(
    ("codec", "pixel", "size"),
    [("mjpeg", "yuvj420p", (64, 48)), ("libx264", "yuv444p", (64, 48)), ("ffv1", "gray", (9, 7))],
)
def test_what_no_card_decodes_exactly_is_not_tried(
    tmp_path: Path, codec: str, pixel: str, size: tuple[int, int], caplog: pytest.LogCaptureFixture
) -> None:
    path = make_clip(tmp_path / "a.mkv", codec=codec, pixel=pixel, size=size)
    with caplog.at_level(logging.WARNING):
        frames, decoder, made = run(path, {})
    assert len(frames) == 10
    assert not made
    assert not decoder.on_card
    assert not caplog.records


def test_threads_of_a_decoder_are_no_more_than_cores(clip: Path) -> None:
    with av.open(str(clip)) as container:
        stream = container.streams.video[0]
        Decoder(stream, "a")
        assert 1 <= stream.codec_context.thread_count <= min(4, cores())


@pytest.mark.gpu
@pytest.mark.parametrize(
    ("name", "codec", "pixel", "size", "options"),
    [
        ("a.mp4", "libx264", "yuv420p", (64, 48), QUIET),
        ("a.mp4", "libx264", "yuvj420p", (1282, 722), {"preset": "veryfast", "bf": "2"}),
        ("a.mp4", "libx265", "yuv420p", (1920, 1080), QUIET),
        ("a.mp4", "libx265", "yuv420p10le", (640, 362), QUIET),
        ("a.webm", "libvpx-vp9", "yuv420p", (640, 360), {"deadline": "realtime", "cpu-used": "8"}),
    ],
)
def test_a_card_gives_softwares_planes(
    tmp_path: Path,
    name: str,
    codec: str,
    pixel: str,
    size: tuple[int, int],
    options: dict[str, str],
    caplog: pytest.LogCaptureFixture,
) -> None:
    path = make_clip(
        tmp_path / name, codec=codec, pixel=pixel, size=size, options=options, noise=True
    )
    with caplog.at_level(logging.WARNING):
        hardware = played(path, "cuda", 15)
    assert not caplog.records
    for soft, hard in zip(played(path, "cpu", 15), hardware, strict=True):
        assert hard.device.type == "cuda"
        host = hard.on_host()
        assert host.device.type == "cpu"
        assert (hard.encoding, hard.quarter_turns, hard.pts) == (
            soft.encoding,
            soft.quarter_turns,
            soft.pts,
        )
        for mine, other, there in zip(host.planes, soft.planes, hard.planes, strict=True):
            assert mine.dtype is other.dtype is there.dtype
            assert torch.equal(mine, other)
            assert mine.is_contiguous()


@pytest.mark.gpu
def test_a_turned_clip_stays_turned_on_a_card(tmp_path: Path) -> None:
    path = make_clip(tmp_path / "turned.mp4", size=(256, 144), matrix=TURNED)
    source = Clip(path, paced=False, device="cuda")
    source.open()
    frame = source.read()
    source.close()
    assert frame is not None
    assert frame.device.type == "cuda"
    assert frame.quarter_turns == 1


@pytest.mark.gpu
@pytest.mark.parametrize("name", RAW)
@pytest.mark.parametrize("at", [0, 3, 9, 17, 30])
def test_software_takes_a_raw_stream_over_from_a_card(
    tmp_path: Path, name: str, at: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    codec, options = RAW[name]
    path = make_clip(
        tmp_path / name, codec=codec, count=30, size=(256, 144), noise=True, options=options
    )
    want = played(path, "cpu", 30)
    whole, count = CardDecoder.decode, iter(range(31))

    def decode(card: CardDecoder, packet: av.Packet[av.VideoStream]) -> list[av.VideoFrame]:
        if next(count) == at:
            raise CardError("unplugged")
        return whole(card, packet)

    monkeypatch.setattr(CardDecoder, "decode", decode)
    source = Clip(path, paced=False, device="cuda")
    source.open()
    got = [source.read() for _ in range(31)]
    source.close()
    assert got.pop() is None
    assert len(want) == 30
    for mine, other in zip(got, want, strict=True):
        assert mine is not None
        assert all(map(torch.equal, mine.on_host().planes, other.planes))
