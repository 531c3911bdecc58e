"""Clips and a template to measure with: somebody before a green screen, at any size and rate."""

from __future__ import annotations

from collections.abc import Iterator
from fractions import Fraction
from pathlib import Path

import av
import numpy as np
from av.video.stream import VideoStream
from numpy.typing import NDArray
from PIL import Image

Pixels = NDArray[np.uint8]

# chosen: long enough that a decoder sees movement, short enough to encode at once.
ROUND_S = 2.0
CODECS = {"h264": "libx264", "hevc": "libx265"}
_OPTIONS = {"preset": "ultrafast", "x265-params": "log-level=error:bframes=0", "bf": "0"}
# As swscale and ITU-T H.273 number them.
_BT709, _NARROW = 1, 1
_DESIGN = """
[picture]
width_in = {wide}
height_in = {high}
ppi = 100

[slot]
above = "back"
fit = "cover"
anchor = "bottom"

[[text]]
value = "Lantern walk"
above = "front"
box = [{left}, {top}, {across}, {size}]
size = {size}
color = "#ffffff"
"""


def make_design(folder: Path, size: tuple[int, int]) -> Path:
    """A template: a backdrop, a bar before the subject, words on it.

    Args:
        folder: to be made.
        size: (W, H) of the picture in pixels.
    """
    wide, high = size
    folder.mkdir(parents=True)
    ramp = np.linspace(40, 220, high, dtype=np.uint8)[:, None]
    back = np.full((high, wide, 4), 255, np.uint8)
    back[..., 0], back[..., 1], back[..., 2] = ramp, ramp // 2, 90
    front = np.zeros((high, wide, 4), np.uint8)
    front[-high // 6 :] = (20, 40, 80, 200)
    Image.fromarray(back).save(folder / "10-back.png", compress_level=1)
    Image.fromarray(front).save(folder / "20-front.png", compress_level=1)
    text = _DESIGN.format(
        wide=wide / 100,
        high=high / 100,
        left=wide // 20,
        top=high - high // 7,
        across=wide * 9 // 10,
        size=high // 9,
    )
    (folder / "template.toml").write_text(text, "utf-8")
    return folder


def _figure(high: int, wide: int) -> tuple[Pixels, NDArray[np.float32]]:
    """Somebody's colours and coverage: body, head, and hair in single strands."""
    random = np.random.default_rng(3)
    y, x = np.mgrid[0:high, 0:wide].astype(np.float32)
    y, x = y / high, (x - wide / 2) / high
    body = (np.abs(x) < 0.20 + 0.06 * y) & (y > 0.45)
    head = (x / 0.13) ** 2 + ((y - 0.30) / 0.17) ** 2 < 1
    alpha = (body | head).astype(np.float32)
    color = np.where(body[..., None], (150, 140, 170), (205, 160, 135)).astype(np.uint8)
    for _ in range(400):
        turn, reach = random.uniform(np.pi, 2 * np.pi), random.uniform(0.03, 0.08)
        along = np.linspace(0, 1, high // 4, dtype=np.float32)
        far = 1 + reach / 0.15 * along
        rows = ((0.30 + 0.17 * far * np.sin(turn)) * high).astype(int).clip(0, high - 1)
        across = wide / 2 + 0.13 * far * np.cos(turn) * high
        columns = across.astype(int).clip(0, wide - 1)
        alpha[rows, columns] = np.maximum(alpha[rows, columns], 1 - 0.7 * along)
        color[rows, columns] = (70, 50, 40)
    return color, alpha


def drawn(size: tuple[int, int], count: int) -> Iterator[Pixels]:
    """Pictures (H, W, 3) of somebody who sways before a green screen."""
    wide, high = size
    random = np.random.default_rng(4)
    grain = random.normal(0, 3, (high, wide, 1)).astype(np.float32)
    light = 1 - 0.25 * np.abs(np.linspace(-1, 1, wide, dtype=np.float32))[None, :, None]
    screen = (np.array((45, 165, 70), np.float32) * light + grain).clip(0, 255).astype(np.uint8)
    across = min(wide, high)
    color, alpha = _figure(high, across)
    cover = alpha[..., None]
    for n in range(count):
        sway = 0.3 * np.sin(2 * np.pi * n / count) * (wide - across) / 2
        left = int((wide - across) / 2 + sway)
        picture = np.roll(screen, 7 * n, axis=0)
        part = picture[:, left : left + across]
        part[...] = color * cover + part * (1 - cover)
        yield picture


def _scaled(raw: Path, size: tuple[int, int], count: int) -> Iterator[av.VideoFrame]:
    """Frames of a clip, from its beginning again at its end."""
    done = 0
    while done < count:
        before = done
        with av.open(str(raw)) as container:
            for frame in container.decode(video=0):
                if done == count:
                    return
                yield frame.reformat(size[0], size[1], "yuv420p", threads=1)
                done += 1
        if done == before:
            raise SystemExit(f"many: {raw} holds no picture; name a clip with --clip")


def _frames(size: tuple[int, int], count: int, raw: Path | None) -> Iterator[av.VideoFrame]:
    if raw is not None:
        yield from _scaled(raw, size, count)
        return
    for picture in drawn(size, count):
        frame = av.VideoFrame.from_ndarray(picture, "rgb24")
        yield frame.reformat(
            format="yuv420p", dst_colorspace=_BT709, dst_color_range=_NARROW, threads=1
        )


def _encode(
    path: Path, size: tuple[int, int], rate: int, count: int, raw: Path | None, codec: str
) -> None:
    with av.open(str(path), "w") as out:
        stream = out.add_stream(CODECS[codec], rate=rate, options=dict(_OPTIONS))
        assert isinstance(stream, VideoStream)
        stream.width, stream.height, stream.pix_fmt = size[0], size[1], "yuv420p"
        context = stream.codec_context
        context.colorspace, context.color_range = _BT709, _NARROW
        for n, frame in enumerate(_frames(size, count, raw)):
            frame.pts, frame.time_base = n, Fraction(1, rate)
            out.mux(stream.encode(frame))
        out.mux(stream.encode(None))


def make_footage(
    path: Path,
    size: tuple[int, int],
    rate: int,
    seconds: float,
    *,
    raw: Path | None = None,
    codec: str = "h264",
) -> Path:
    """Make a clip of any length: a short round is encoded, its packets are repeated.

    Args:
        path: an MP4 file.
        size: (W, H) in pixels, both even.
        rate: frames a second.
        seconds: at least so long.
        raw: a clip whose frames are scaled and taken one for one; None draws somebody.
        codec: "h264" or "hevc".
    """
    count = max(2, round(min(ROUND_S, seconds) * rate))
    short = path.with_name(f"round-{path.name}")
    _encode(short, size, rate, count, raw, codec)
    with av.open(str(path), "w") as out:
        stream: VideoStream | None = None
        for again in range(-(-round(seconds * rate) // count)):
            with av.open(str(short)) as container:
                source = container.streams.video[0]
                stream = stream or out.add_stream_from_template(source)
                for packet in container.demux(source):
                    if packet.dts is None or packet.pts is None or packet.time_base is None:
                        continue
                    shift = round(again * count / rate / packet.time_base)
                    packet.dts, packet.pts = packet.dts + shift, packet.pts + shift
                    packet.stream = stream
                    out.mux(packet)
    short.unlink()
    return path
