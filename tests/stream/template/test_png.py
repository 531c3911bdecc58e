"""PNG layers of every kind, and files that are none."""

from __future__ import annotations

import io
import struct

import numpy as np
import pytest
import torch
from PIL import Image, ImageCms

from stream.errors import UserError
from stream.template.png import png_header, read_png
from tests.stream.template.building import png, raw_png


def at(data: bytes) -> list[int]:
    planes = read_png(data, "layer")
    assert planes.shape[0] == 4
    return planes[:, 0, 0].tolist()


def be16(*values: int) -> bytes:
    return b"\x00" + b"".join(v.to_bytes(2, "big") for v in values)


def test_eight_bit_kinds() -> None:
    assert at(png(Image.new("RGB", (3, 2), (1, 2, 3)))) == [1, 2, 3, 255]
    assert at(png(Image.new("RGBA", (3, 2), (1, 2, 3, 4)))) == [1, 2, 3, 4]
    assert at(png(Image.new("L", (3, 2), 9))) == [9, 9, 9, 255]
    assert at(png(Image.new("LA", (3, 2), (9, 8)))) == [9, 9, 9, 8]
    assert at(png(Image.new("1", (3, 2), 1))) == [255, 255, 255, 255]


def test_palettes_with_and_without_transparency() -> None:
    image = Image.new("P", (3, 2), 1)
    image.putpalette([0, 0, 0, 10, 20, 30])
    assert at(png(image)) == [10, 20, 30, 255]
    out = io.BytesIO()
    image.save(out, "PNG", transparency=bytes([255, 77]))
    assert at(out.getvalue()) == [10, 20, 30, 77]


@pytest.mark.parametrize(
    ("kind", "values", "expect"),
    [
        (2, (1000, 2000, 3000), [1000, 2000, 3000, 65535]),
        (6, (1000, 2000, 3000, 4000), [1000, 2000, 3000, 4000]),
        (0, (1234,), [1234, 1234, 1234, 65535]),
        (4, (1234, 777), [1234, 1234, 1234, 777]),
    ],
)
def test_sixteen_bit_kinds(kind: int, values: tuple[int, ...], expect: list[int]) -> None:
    data = raw_png(1, 1, 16, kind, be16(*values))
    assert read_png(data, "layer").dtype == torch.int32
    assert at(data) == expect


def test_one_colour_declared_transparent() -> None:
    key = b"tRNS" + b"".join(v.to_bytes(2, "big") for v in (1, 2, 3))
    rows = b"\x00\x01\x02\x03\x04\x05\x06"
    planes = read_png(raw_png(2, 1, 8, 2, rows, key), "layer")
    assert planes[3].flatten().tolist() == [0, 255]
    grey = b"tRNS" + (1234).to_bytes(2, "big")
    planes = read_png(raw_png(2, 1, 16, 0, be16(1234, 65535), grey), "layer")
    assert planes[:, 0, 1].tolist() == [255, 255, 255, 255]


def linear_profile() -> bytes:
    """An ICC profile (ICC.1:2001-04) of sRGB's primaries, adapted to D50, and a straight curve."""

    def fixed(*values: float) -> bytes:
        return b"".join(struct.pack(">i", round(v * 65536)) for v in values)

    name = b"straight\0"
    straight = b"curv" + bytes(4) + struct.pack(">I", 0)
    tags = {
        b"desc": b"desc" + bytes(4) + struct.pack(">I", len(name)) + name + bytes(78),
        b"wtpt": b"XYZ " + bytes(4) + fixed(0.9642, 1.0, 0.8249),
        b"rXYZ": b"XYZ " + bytes(4) + fixed(0.4361, 0.2225, 0.0139),
        b"gXYZ": b"XYZ " + bytes(4) + fixed(0.3851, 0.7169, 0.0971),
        b"bXYZ": b"XYZ " + bytes(4) + fixed(0.1431, 0.0606, 0.7141),
        b"rTRC": straight,
        b"gTRC": straight,
        b"bTRC": straight,
    }
    table, body = struct.pack(">I", len(tags)), b""
    start = 128 + 4 + 12 * len(tags)
    for tag, data in tags.items():
        table += tag + struct.pack(">II", start + len(body), len(data))
        body += data + bytes(-len(data) % 4)
    total = start + len(body)
    header = struct.pack(">I4xI4s4s4s", total, 0x02100000, b"mntr", b"RGB ", b"XYZ ")
    header += bytes(12) + b"acsp" + bytes(28) + fixed(0.9642, 1.0, 0.8249)
    return header + bytes(128 - len(header)) + table + body


def test_another_colour_space_is_brought_to_srgb() -> None:
    out = io.BytesIO()
    image = Image.new("RGBA", (1, 1), (128, 128, 128, 90))
    image.save(out, "PNG", icc_profile=linear_profile())
    # IEC 61966-2-1: linear .502 is code 188.
    assert at(out.getvalue()) == [188, 188, 188, 90]


def test_srgb_profiles_change_nothing() -> None:
    srgb = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    out = io.BytesIO()
    Image.new("RGB", (1, 1), (10, 20, 30)).save(out, "PNG", icc_profile=srgb)
    assert at(out.getvalue()) == [10, 20, 30, 255]


@pytest.mark.parametrize(
    ("data", "says"),
    [
        (b"", "is not a PNG"),
        (b"\xff\xd8\xff\xe0 a photograph", "is not a PNG"),
        (raw_png(30_000, 30_000, 8, 2, b""), "at most 80 megapixels"),
        (raw_png(0, 5, 8, 2, b""), "0 x 5"),
        (raw_png(8, 8, 8, 2, b"\x00"), "is damaged"),
        (raw_png(8, 8, 16, 2, b"\x00"), "is damaged"),
    ],
)
def test_what_cannot_be_read_is_named(data: bytes, says: str) -> None:
    with pytest.raises(UserError, match=says) as e:
        read_png(data, 'layer "sky" (10-sky.png)')
    assert 'layer "sky" (10-sky.png)' in str(e.value)


def test_a_cut_file_is_damaged() -> None:
    rng = np.random.default_rng(1)
    whole = png(Image.fromarray(rng.integers(0, 256, (64, 64, 3), dtype=np.uint8)))
    assert png_header(whole, "layer")[:2] == (64, 64)
    with pytest.raises(UserError, match="damaged"):
        read_png(whole[: len(whole) // 2], "layer")
