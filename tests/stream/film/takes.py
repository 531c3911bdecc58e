"""Takes for tests: a record, and clips of known frames and sound as takes of an event."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import numpy as np

from models.color import Planes, turn
from models.keyer import KeySettings
from stream.event import Event
from stream.take import Take
from stream.take.adding import add_clip
from tests.stream.film.planes import taken

TONE_HZ, SOUND_HZ = 440, 48000


def record(**more: Any) -> Take:
    """A take's record by itself."""
    given: dict[str, Any] = {
        "id": "t0001-3fa9c1",
        "number": 1,
        "unique": "3fa9c1" + "0" * 26,
        "begun": datetime(2026, 5, 1, 18, 30, tzinfo=UTC),
        "source": "test",
        "file": "take.mkv",
        "recording": False,
        "sound": "",
        "quarter_turns": 0,
        "mirror": False,
        "people": (),
        "template": "plain",
        "template_version": "0" * 64,
        "plate": None,
        "settings": KeySettings().to_json(),
        **more,
    }
    return Take(**given)


def write_clip(
    path: Path,
    pictures: Sequence[Planes],
    times_s: Sequence[float],
    *,
    depth: int = 8,
    sound: bool = True,
) -> Path:
    """A lossless clip with its frames at any times, and a tone as long as they are."""
    height, width = pictures[0][0].shape
    form = "yuv420p" if depth == 8 else "yuv420p10le"
    with av.open(str(path), "w", format="matroska") as container:
        stream = container.add_stream("ffv1", rate=30)
        stream.width, stream.height, stream.pix_fmt = width, height, form
        stream.codec_context.time_base = Fraction(1, 1000)
        context = stream.codec_context
        context.colorspace = context.color_primaries = context.color_trc = 1
        context.color_range = 1
        heard = container.add_stream("pcm_s16le", rate=SOUND_HZ, layout="mono") if sound else None
        for planes, at_s in zip(pictures, times_s, strict=True):
            frame = av.VideoFrame(width, height, form)
            for target, plane in zip(frame.planes, planes, strict=True):
                kind = np.uint8 if depth == 8 else np.uint16
                rows = np.frombuffer(memoryview(target), kind)
                rows = rows.reshape(-1, target.line_size // np.dtype(kind).itemsize)
                rows[: plane.shape[0], : plane.shape[1]] = plane.contiguous().numpy().astype(kind)
            frame.pts, frame.time_base = round(at_s * 1000), Fraction(1, 1000)
            container.mux(stream.encode(frame))
        container.mux(stream.encode(None))
        if heard is not None:
            count = round((times_s[-1] + 1 / 30) * SOUND_HZ)
            wave = 8000 * np.sin(2 * np.pi * TONE_HZ * np.arange(count) / SOUND_HZ)
            spoken = av.AudioFrame.from_ndarray(
                wave.astype(np.int16)[None], format="s16", layout="mono"
            )
            spoken.sample_rate, spoken.pts = SOUND_HZ, 0
            container.mux(heard.encode(spoken))
            container.mux(heard.encode(None))
    return path


def clip_of(
    path: Path,
    count: int,
    rate: Fraction | int = 30,
    *,
    turns: int = 0,
    sound: bool = True,
    sway: float = 0.6,
) -> Path:
    """Somebody before a screen, lying on its side by so many turns to the left."""
    pictures = []
    for frame in taken(count, sway=sway):
        first, second, third = (turn(p, -turns % 4).contiguous() for p in frame.planes)
        pictures.append((first, second, third))
    return write_clip(path, pictures, [float(i / rate) for i in range(count)], sound=sound)


def take_of(event: Event, clip: Path, shapes: Sequence[str] = ("wide",), **more: Any) -> Take:
    """A clip as a take of an event."""
    return add_clip(event, clip, settings=KeySettings(), shapes=shapes, **more)
