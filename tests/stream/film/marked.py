"""Films with flashes and beeps at known times, and where they come out."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from fractions import Fraction
from pathlib import Path
from types import MappingProxyType

import av
import numpy as np
from av.audio.stream import AudioStream
from numpy.typing import NDArray

Floats = NDArray[np.float32]

BEEP_S = 0.03
BEEP_HZ = 1500.0
SIDE = 48


def beep(rate: float, late: float = 0.0) -> Floats:
    """A short tone with a steep, soft beginning; ``late`` is a part of a sample."""
    n = np.arange(int(BEEP_S * rate)) - late
    shape = np.sin(np.pi * np.clip(n / (BEEP_S * rate), 0.0, 1.0)) ** 2
    tone = np.sin(2 * np.pi * BEEP_HZ * n / rate)
    made: Floats = (0.5 * shape * tone).astype(np.float32)
    return made


def beeps(times_s: Sequence[float], rate: float, length_s: float, begin_s: float = 0.0) -> Floats:
    """Sound of a clock of ``rate`` samples a second, with a beep at each time."""
    samples = np.zeros(round((length_s - begin_s) * rate), np.float32)
    for time_s in times_s:
        at = (time_s - begin_s) * rate
        first = int(np.ceil(at))
        tone = beep(rate, at - first)
        if first >= 0 and first + len(tone) <= len(samples):
            samples[first : first + len(tone)] += tone
    return samples


def write_sound(
    path: Path,
    samples: Floats,
    rate: int,
    codec: str = "pcm_s16le",
    layout: str = "mono",
    step: int = 1024,
    stamp: Callable[[int], float | None] | None = None,
) -> Path:
    """A Matroska file with sound.

    Args:
        path: of the file.
        samples: (N,) or (C, N).
        rate: the rate that the file says.
        codec: an encoder of the media library.
        layout: of the channels.
        step: samples of a packet.
        stamp: the second that is said of the packet that begins with a sample; None leaves the
            packet out, as one that was lost. Without it the file is right.
    """
    samples = np.atleast_2d(samples)
    with av.open(str(path), "w", format="matroska") as file:
        stream = file.add_stream(codec, rate=rate)
        assert isinstance(stream, AudioStream)
        stream.layout = layout
        form = stream.format.name
        scale, kind = {"s16": (2**15 - 1, np.int16), "s32": (2**31 - 128, np.int32)}.get(
            form.removesuffix("p"), (1, np.float32)
        )
        for first in range(0, samples.shape[1], step):
            part = (samples[:, first : first + step] * scale).astype(kind)
            packed = part if form.endswith("p") else part.T.reshape(1, -1)
            frame = av.AudioFrame.from_ndarray(np.ascontiguousarray(packed), form, layout)
            frame.sample_rate, frame.time_base, frame.pts = rate, Fraction(1, rate), first
            for packet in stream.encode(frame):
                if stamp is not None:
                    at_s = stamp(first)
                    if at_s is None:
                        continue
                    packet.pts = packet.dts = round(at_s / packet.time_base)
                file.mux(packet)
        file.mux(stream.encode(None))
    return path


def write_piece(
    path: Path,
    flashes: Sequence[bool],
    rate: Fraction,
    options: Mapping[str, str] = MappingProxyType({}),
) -> Path:
    """A coded piece of so many small pictures, white where it flashes, else nearly black."""
    said = {"preset": "ultrafast", "profile": "high", "bf": "2", "b-pyramid": "none", **options}
    with av.open(str(path), "w", format="matroska") as file:
        stream = file.add_stream("libx264", rate=rate, options=said)
        stream.width = stream.height = SIDE
        stream.pix_fmt = "yuv420p"
        stream.codec_context.thread_count = 1
        for n, flash in enumerate(flashes):
            planes = np.full((SIDE * 3 // 2, SIDE), 128, np.uint8)
            planes[:SIDE] = 235 if flash else 16 + n % 8
            frame = av.VideoFrame.from_ndarray(planes, "yuv420p")
            frame.pts, frame.time_base = n, 1 / rate
            file.mux(stream.encode(frame))
        file.mux(stream.encode(None))
    return path


def pieces(
    folder: Path,
    flashes: Sequence[bool],
    rate: Fraction,
    step: int = 60,
    options: Mapping[str, str] = MappingProxyType({}),
) -> list[Path]:
    """A whole film in pieces of ``step`` pictures; the last may be shorter."""
    return [
        write_piece(folder / f"piece-{n:04d}.mkv", flashes[at : at + step], rate, options)
        for n, at in enumerate(range(0, len(flashes), step))
    ]


def seen_flashes(film: Path) -> list[float]:
    """The seconds of a film at which a flash begins."""
    found, before = [], False
    with av.open(str(film)) as file:
        for frame in file.decode(video=0):
            bright = bool(frame.to_ndarray()[:SIDE].mean() > 120)
            if bright and not before:
                assert frame.time is not None
                found.append(frame.time)
            before = bright
    return found


def heard(path: Path) -> tuple[Floats, float]:
    """All samples of a file, (C, N), and the second of the first."""
    blocks, first = [], None
    with av.open(str(path)) as file:
        for frame in file.decode(audio=0):
            first = frame.time if first is None else first
            block = frame.to_ndarray()
            if frame.format.name == "s32":
                block = block.reshape(-1, 2).T / np.float32(2**31)
            blocks.append(block)
    assert first is not None
    return np.concatenate(blocks, 1).astype(np.float32), first


def heard_beeps(path: Path, about_s: Sequence[float], within_s: float = 0.06) -> list[float]:
    """The seconds at which the beeps of a file at 48 kHz begin, found by their form.

    Args:
        path: the file.
        about_s: where they are looked for.
        within_s: how far from there.
    """
    samples, first_s = heard(path)
    mono = samples.mean(0)
    form = beep(48_000)
    found = []
    for time_s in about_s:
        low = round((time_s - within_s - first_s) * 48_000)
        part = mono[max(0, low) : low + round(2 * within_s * 48_000) + len(form)]
        match = np.correlate(part, form, "valid")
        # Between two samples by a parabola through the best and its neighbours.
        best = int(np.argmax(match))
        assert match[best] > 0.1 * float(form @ form), f"no beep near {time_s:.2f} s"
        a, b, c = match[max(0, best - 1)], match[best], match[min(len(match) - 1, best + 1)]
        part_of = 0.5 * (a - c) / (a - 2 * b + c) if a + c < 2 * b else 0.0
        found.append(first_s + (max(0, low) + best + float(part_of)) / 48_000)
    return found


def speech(seconds: float, seed: int = 1, rate: int = 48_000) -> Floats:
    """Something like a voice: a buzz with moving formants, in syllables, words and pauses."""
    rng = np.random.default_rng(seed)
    n = round(seconds * rate)
    t = np.arange(n) / rate
    pitch = 120 + 15 * np.sin(2 * np.pi * 0.7 * t + seed) + 8 * np.sin(2 * np.pi * 2.3 * t)
    phase = 2 * np.pi * np.cumsum(pitch) / rate
    voice = np.zeros(n)
    for k in range(1, 30):
        near = np.exp(-(((k * 120 - 600) / 500) ** 2)) + 0.4 * np.exp(
            -(((k * 120 - 1900) / 600) ** 2)
        )
        voice += (near + 0.02) * np.sin(k * phase)
    knots = np.arange(0, seconds + 0.12, 0.12)
    loud = rng.uniform(0.05, 1.0, len(knots)) * (rng.uniform(size=len(knots)) > 0.2)
    loud[knots % 2.6 > 2.0] = 0.0
    voice *= np.interp(t, knots, loud)
    made: Floats = 0.2 * voice / np.abs(voice).max() + 1e-4 * rng.standard_normal(n)
    return made.astype(np.float32)
