"""Frames that lie on a graphics card are stored as those that software decodes."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import torch

from models.keyer import KeySettings
from stream.capture.clip import Clip
from stream.capture.frame import Frame
from stream.event import Event
from stream.shot import load_frame, save_plate, save_shot
from stream.shot.plates import load_plate
from tests.stream.capture.media_files import make_clip


def first(path: Path, device: str) -> Frame:
    source = Clip(path, paced=False, device=device)
    source.open()
    frame = source.read()
    source.close()
    assert frame is not None
    return frame


def strided(frame: Frame) -> Frame:
    """The frame with its chroma samples in turn, as decoders of cards lay them."""
    pair = torch.stack(frame.planes[1:], -1)
    return replace(frame, planes=(frame.planes[0], pair[..., 0], pair[..., 1]))


def kept(event: Event, frame: Frame) -> tuple[Frame, Frame]:
    shot = save_shot(event, frame, settings=KeySettings())
    return load_frame(event, shot), load_plate(event, save_plate(event, frame)).frame


@pytest.mark.parametrize(("codec", "pixel"), [("libx264", "yuv420p"), ("libx265", "yuv420p10le")])
@pytest.mark.parametrize("device", ["cpu", pytest.param("cuda", marks=pytest.mark.gpu)])
def test_the_same_planes_are_kept(
    tmp_path: Path, event: Event, device: str, codec: str, pixel: str
) -> None:
    options = {"preset": "ultrafast", "x265-params": "log-level=error"}
    path = make_clip(
        tmp_path / "a.mp4", codec=codec, pixel=pixel, size=(256, 144), noise=True, options=options
    )
    want = first(path, "cpu")
    frame = first(path, device)
    assert frame.device.type == device
    for got in kept(event, strided(frame) if device == "cpu" else frame):
        assert got.encoding == want.encoding
        for mine, other in zip(got.planes, want.planes, strict=True):
            assert np.array_equal(mine.numpy(), other.numpy())
