"""PNG layers of every kind, and files that are none."""

from __future__ import annotations

import io
import struct
import zlib

import numpy as np
import pytest
import torch
from PIL import Image, ImageCms

from stream.errors import UserError
from stream.template.png import png_header, png_ppi, read_png
from tests.stream.template.building import png, raw_png
from tests.stream.template.mutated import chunked


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


def test_one_sixteen_bit_colour_declared_transparent() -> None:
    # The comparison is at all 16 bits (PNG, tRNS): 1234 and 1235 share their upper byte.
    grey = b"tRNS" + (1234).to_bytes(2, "big")
    planes = read_png(raw_png(3, 1, 16, 0, be16(1234, 1235, 65535), grey), "layer")
    assert planes.dtype == torch.int32
    assert planes[3].flatten().tolist() == [0, 65535, 65535]
    assert planes[0].flatten().tolist() == [1234, 1235, 65535]
    key = b"tRNS" + b"".join(v.to_bytes(2, "big") for v in (1000, 2000, 3000))
    rows = be16(1000, 2000, 3000, 1000, 2000, 3001)
    planes = read_png(raw_png(2, 1, 16, 2, rows, key), "layer")
    assert planes[3].flatten().tolist() == [0, 65535]
    assert planes[:3, 0, 1].tolist() == [1000, 2000, 3001]


# PNG, 8.2: each pass of the interlacing as first column, first row, column step, row step.
ADAM7 = ((0, 0, 8, 8), (4, 0, 8, 8), (0, 4, 4, 8), (2, 0, 4, 4), (0, 2, 2, 4), (1, 0, 2, 2),
         (0, 1, 1, 2))  # fmt: skip


@pytest.mark.parametrize(("kind", "channels"), [(0, 1), (2, 3), (4, 2), (6, 4)])
@pytest.mark.parametrize("depth", [8, 16])
def test_interlaced(kind: int, channels: int, depth: int) -> None:
    kept = np.uint8 if depth == 8 else np.uint16
    rng = np.random.default_rng(kind)
    pixels = rng.integers(0, 2**depth, (11, 13, channels)).astype(kept)
    stored = pixels.astype(pixels.dtype.newbyteorder(">"))
    passes = (stored[y::down, x::across] for x, y, across, down in ADAM7)
    woven = b"".join(b"\x00" + row.tobytes() for part in passes for row in part if row.size)
    plain = b"".join(b"\x00" + row.tobytes() for row in stored)
    first = read_png(raw_png(13, 11, depth, kind, woven, interlace=1), "layer")
    assert (first == read_png(raw_png(13, 11, depth, kind, plain), "layer")).all()
    assert (first[0].numpy() == pixels[:, :, 0]).all()


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


def grey_profile() -> bytes:
    """An ICC profile of a grey axis with a straight curve."""
    data, tags = bytearray(linear_profile()), (b"desc", b"wtpt", b"rTRC")
    data[16:20] = b"GRAY"
    kept = [data[132 + 12 * i : 144 + 12 * i] for i in range(8)]
    kept = [entry for entry in kept if bytes(entry[:4]) in tags]
    table = b"".join(bytes(entry).replace(b"rTRC", b"kTRC") for entry in kept)
    data[128:228] = struct.pack(">I", len(kept)) + table.ljust(96, b"\0")
    return bytes(data)


def test_another_colour_space_is_brought_to_srgb() -> None:
    out = io.BytesIO()
    image = Image.new("RGBA", (1, 1), (128, 128, 128, 90))
    image.save(out, "PNG", icc_profile=linear_profile())
    # IEC 61966-2-1: linear .502 is code 188.
    assert at(out.getvalue()) == [188, 188, 188, 90]


@pytest.mark.parametrize("depth", [8, 16])
def test_a_grey_profile_takes_no_colours_away(depth: int) -> None:
    # PNG, iCCP: a profile of a colour picture is one for RGB, of a grey picture one for grey.
    profile = b"iCCPgrey\0\0" + zlib.compress(grey_profile())
    wide = depth // 8
    red = raw_png(1, 1, depth, 2, b"\0" + b"\xff" * wide + bytes(2 * wide), profile)
    with pytest.raises(UserError, match="for grey, and the picture is in colour; save it as sRGB"):
        read_png(red, "layer")
    grey = raw_png(1, 1, depth, 0, b"\0" + b"\x80" * wide, profile)
    # IEC 61966-2-1: linear .502 is code 188.
    assert [round(v / (257 if depth == 16 else 1)) for v in at(grey)] == [188, 188, 188, 255]


def test_another_colour_space_keeps_sixteen_bit() -> None:
    profile = b"iCCPstraight\0\0" + zlib.compress(linear_profile())
    values = np.arange(4096, 8192, dtype=np.uint16)
    rows = b"\x00" + np.stack([values] * 3, -1).astype(">u2").tobytes()
    planes = read_png(raw_png(4096, 1, 16, 2, rows, profile), "layer")
    assert planes.dtype == torch.int32
    # IEC 61966-2-1: 1.055 x^(1/2.4) - .055 above .0031308.
    truth = (1.055 * (values / 65535) ** (1 / 2.4) - 0.055) * 65535
    # Found: at most 14 of 65535; 8 bits would be off by up to 128, and have 46 steps here.
    assert np.abs(planes[1, 0].numpy() - truth).max() < 32
    assert len(np.unique(planes[1, 0].numpy())) > 3000


def test_a_profile_is_judged_by_what_it_does_and_not_by_its_name() -> None:
    named = linear_profile().replace(b"straight\0", b"sRGB lin\0")
    out = io.BytesIO()
    Image.new("RGB", (1, 1), (128, 128, 128)).save(out, "PNG", icc_profile=named)
    assert at(out.getvalue()) == [188, 188, 188, 255]


def test_code_points_of_another_space_are_refused() -> None:
    rows = b"\x00\x01\x02\x03"
    # ITU-T H.273: primaries 9 (BT.2020), transfer 16 (PQ); 1 and 13 are sRGB.
    with pytest.raises(UserError, match="video or HDR; save it as sRGB"):
        read_png(raw_png(1, 1, 8, 2, rows, b"cICP" + bytes([9, 16, 0, 1])), "layer")
    assert at(raw_png(1, 1, 8, 2, rows, b"cICP" + bytes([1, 13, 0, 1]))) == [1, 2, 3, 255]


def test_code_points_come_before_a_profile() -> None:
    # PNG, 4.3 (colour space chunks and their precedence): cICP before iCCP.
    profile = b"iCCPstraight\0\0" + zlib.compress(linear_profile())
    points = b"cICP" + bytes([1, 13, 0, 1])
    rows = b"\x00" + bytes([128] * 3)
    assert at(raw_png(1, 1, 8, 2, rows, points, profile)) == [128, 128, 128, 255]
    assert at(raw_png(1, 1, 8, 2, rows, profile)) == [188, 188, 188, 255]


def test_animations_are_refused() -> None:
    frames = b"acTL" + (2).to_bytes(4, "big") + bytes(4)
    with pytest.raises(UserError, match="is an animation; save one picture of it"):
        read_png(raw_png(1, 1, 8, 2, b"\x00\x01\x02\x03", frames), "layer")
    late = raw_png(1, 1, 8, 2, b"\x00\x01\x02\x03")
    at = late.index(b"IEND") - 4
    with pytest.raises(UserError, match="is an animation"):
        read_png(late[:at] + chunked(b"acTL", bytes(8)) + late[at:], "layer")
    # Pillow reads on behind a name with a digit or an underscore.
    for odd in (b"0abc", b"a_bc"):
        with pytest.raises(UserError, match="is an animation"):
            read_png(raw_png(1, 1, 8, 2, b"\x00\x01\x02\x03", odd, b"acTL" + bytes(8)), "layer")


def test_a_gamma_alone_is_not_followed() -> None:
    gamma = b"gAMA" + (100000).to_bytes(4, "big")
    assert at(raw_png(1, 1, 8, 2, b"\x00\x01\x02\x03", gamma)) == [1, 2, 3, 255]
    assert at(raw_png(1, 1, 16, 0, be16(777), gamma))[:3] == [777, 777, 777]


def test_resolution() -> None:
    out = io.BytesIO()
    Image.new("L", (1, 1)).save(out, "PNG", dpi=(300, 300))
    assert png_ppi(out.getvalue()) == pytest.approx(300, abs=0.1)
    assert png_ppi(png(Image.new("L", (1, 1)))) is None


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
        (raw_png(6000, 6000, 16, 6, b""), "6000 x 6000 pixels of 16 bit; at most 30 megapixels"),
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
