"""Small clips of a person before a green screen, for takes."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import av
import numpy as np

from models.keyer import KeySettings
from stream.event import Event
from stream.take import Take
from stream.take.adding import add_clip
from tests.stream.batch.scenario import SMALL, make_frame


def make_clip(path: Path, frames: int = 12, rate: int = 25) -> Path:
    """A clip in H.264 without sound."""
    height, width = SMALL
    with av.open(str(path), "w") as container:
        stream = container.add_stream("libx264", rate=rate)
        stream.width, stream.height, stream.pix_fmt = width, height, "yuv420p"
        stream.options = {"crf": "12", "g": "10"}
        for n in range(frames):
            frame = av.VideoFrame(width, height, "yuv420p")
            for plane, codes in zip(frame.planes, make_frame(n).planes, strict=True):
                rows = np.zeros((plane.height, plane.line_size), np.uint8)
                rows[:, : plane.width] = codes.numpy()
                plane.update(rows.tobytes())
            frame.pts, frame.time_base = n, Fraction(1, rate)
            container.mux(stream.encode(frame))
        container.mux(stream.encode())
    return path


def add_take(
    event: Event,
    people: tuple[str, ...] = ("1",),
    frames: int = 12,
    rate: int = 25,
    **more: object,
) -> Take:
    """A take of such a clip, kept in the event and not queued."""
    clip = event.paths.root.parent / f"clip-{frames}-{rate}.mp4"
    if not clip.exists():
        make_clip(clip, frames, rate)
    return add_clip(event, clip, settings=KeySettings(), people=people, **more)  # type: ignore[arg-type]
