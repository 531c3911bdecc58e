"""Frames as files, and names of people as file names."""

from __future__ import annotations

import unicodedata
from pathlib import Path
from typing import Any

import av
import cv2
import numpy as np
import pytest
import torch
from hypothesis import given
from hypothesis import strategies as st

from models.color import Encoding, Matrix, Range, Siting
from models.transfer import Transfer
from stream.errors import UserError
from stream.event import Event
from stream.file_name import safe_name
from stream.shot import (
    load_frame,
    load_plate,
    save_plate,
    save_shot,
)
from stream.shot.frames import FrameFileError, decode_frame, encode_frame
from tests.stream.batch.scenario import (
    SETTINGS,
    make_frame,
    noise,
    same_planes,
)


def tags(depth: int, matrix: Matrix = Matrix.BT709) -> Encoding:
    return Encoding(matrix, Range.NARROW, Transfer.BT709, Siting.TOP_LEFT, depth)


# --- frames ---------------------------------------------------------------------------------


@pytest.mark.parametrize("depth", [8, 10, 12, 16])
@pytest.mark.parametrize("chroma", [(1, 1), (1, 2), (2, 2)])
@pytest.mark.parametrize("size", [(48, 64), (33, 51), (270, 482)])
def test_ycbcr_planes_come_back_bit_for_bit(
    tmp_path: Path, depth: int, chroma: tuple[int, int], size: tuple[int, int]
) -> None:
    planes = noise(size, depth, chroma, seed=depth)
    before = [p.clone() for p in planes]
    name, data = encode_frame(planes, tags(depth))
    (tmp_path / name).write_bytes(data)
    assert same_planes(decode_frame(tmp_path / name, tags(depth)), planes)
    assert all(torch.equal(a, b) for a, b in zip(planes, before, strict=True))


@pytest.mark.parametrize("depth", [8, 10, 12, 16])
def test_rgb_planes_come_back_bit_for_bit(tmp_path: Path, depth: int) -> None:
    encoding = Encoding(Matrix.RGB, Range.FULL, Transfer.SRGB, Siting.CENTER, depth)
    planes = noise((33, 50), depth, (1, 1), seed=3)
    name, data = encode_frame(planes, encoding)
    (tmp_path / name).write_bytes(data)
    assert same_planes(decode_frame(tmp_path / name, encoding), planes)
    # ISO/IEC 15948, sample depth scaling: full scale stays full scale.
    top = torch.full((2, 2), (1 << depth) - 1, dtype=planes[0].dtype)
    _, white = encode_frame((top, top, top), encoding)
    image: Any = cv2.imdecode(np.frombuffer(white, np.uint8), cv2.IMREAD_UNCHANGED)
    assert image.min() == (255 if depth == 8 else 65535)


def test_another_program_can_read_the_frame(tmp_path: Path) -> None:
    # RFC 9043: FFV1 version 3 with a CRC for each slice; ITU-T H.273 code points in the container.
    planes = noise((64, 64), 10, (1, 2), seed=1)
    name, data = encode_frame(planes, tags(10, Matrix.BT2020))
    (tmp_path / name).write_bytes(data)
    with av.open(str(tmp_path / name)) as container:
        stream = container.streams.video[0]
        assert (stream.codec_context.name, stream.codec_context.pix_fmt) == ("ffv1", "yuv422p10le")
        frame = next(container.decode(video=0))
    assert (frame.colorspace, frame.color_range) == (9, 1)
    assert np.array_equal(frame.to_ndarray()[0], planes[0].numpy())


def test_a_damaged_frame_is_an_error_and_no_picture(event: Event) -> None:
    shot = save_shot(event, make_frame(1), settings=SETTINGS)
    plate = save_plate(event, make_frame(2))
    for path in (
        event.paths.shots / shot.id / shot.frame,
        event.paths.plates / plate / "frame.mkv",
    ):
        data = path.read_bytes()
        broken = bytearray(data)
        broken[len(data) // 2] ^= 1
        for wrong in (bytes(broken), data[: len(data) // 2], b"", b"no frame at all"):
            path.write_bytes(wrong)
            with pytest.raises(UserError, match="damaged"):
                load_frame(event, shot) if "shots" in path.parts else load_plate(event, plate)
        path.unlink()
        with pytest.raises(UserError, match="cannot be read"):
            load_frame(event, shot) if "shots" in path.parts else load_plate(event, plate)


@pytest.mark.parametrize("data", [b"", b"no frame at all", b"\x1a\x45\xdf\xa3"])
def test_what_is_no_frame_file(tmp_path: Path, data: bytes) -> None:
    for name, matrix in (("frame.mkv", Matrix.BT709), ("frame.png", Matrix.RGB)):
        (tmp_path / name).write_bytes(data)
        with pytest.raises(FrameFileError):
            decode_frame(tmp_path / name, tags(8, matrix))


def test_planes_that_no_file_holds(tmp_path: Path) -> None:
    one, third = torch.zeros(9, 9, dtype=torch.uint8), torch.zeros(9, 3, dtype=torch.uint8)
    with pytest.raises(FrameFileError, match="half"):
        encode_frame((one, third, third), tags(8))
    deep = noise((8, 8), 11, (1, 1), seed=0)
    with pytest.raises(FrameFileError, match="11 bit"):
        encode_frame(deep, tags(11))


# --- names ----------------------------------------------------------------------------------

# Windows' rules for naming files: these characters, these device names, no dot or space at the end.
FORBIDDEN = set('<>:"/\\|?*') | {chr(c) for c in range(32)}
DEVICES = {"CON", "PRN", "AUX", "NUL"} | {f"{p}{n}" for p in ("COM", "LPT") for n in range(1, 10)}


@given(st.text(max_size=400))
def test_any_text_makes_a_safe_name(text: str) -> None:
    name = safe_name(text)
    assert not FORBIDDEN & set(name)
    assert name.split(".")[0].upper() not in DEVICES
    assert name == name.strip(" .") or name == ""
    assert len(name.encode()) < 150
    assert unicodedata.is_normalized("NFC", name)
    assert name not in (".", "..")
    assert Path("pictures", f"7-{name}").parent == Path("pictures")


@pytest.mark.parametrize(
    ("text", "name"),
    [
        ("Mira Tallow", "Mira-Tallow"),
        ("../../etc/passwd", "etc-passwd"),
        ("A\u030asa \u202eevil", "Åsa-evil"),
        ("con", "_con"),
        ("LPT1.jpg", "_LPT1.jpg"),
        ("李小龍", "李小龍"),
        ("\x00\n/\\", ""),
        ("name. . .", "name"),
        ("\ud800x", "x"),
    ],
)
def test_names_of_people_as_file_names(text: str, name: str) -> None:
    assert safe_name(text) == name
