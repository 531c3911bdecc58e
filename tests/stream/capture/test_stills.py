"""Stills: codes, depth, orientation, profiles, dates, limits.

Orientation is checked against Pillow's own `ImageOps.exif_transpose`, profiles by one
whose primaries are swapped, 16 bit against files written by OpenCV and tifffile.
"""

from __future__ import annotations

import struct
import zlib
from datetime import datetime, timedelta, timezone
from pathlib import Path

import cv2
import numpy as np
import pytest
import torch
from numpy.typing import NDArray
from PIL import Image, ImageCms, ImageOps

from models.color import SRGB_8BIT, turn
from stream.capture import still_file
from stream.capture.errors import SourceError
from stream.capture.frame import Frame
from stream.capture.stills import StillsFolder, read_still

GRADIENT = np.stack(np.meshgrid(np.arange(24) * 10, np.arange(16) * 15, indexing="xy"), -1).astype(
    np.uint8
)
PICTURE = np.dstack([GRADIENT, np.full((16, 24), 77, np.uint8)])


def upright(frame: Frame) -> NDArray[np.int64]:
    planes = [turn(p, frame.quarter_turns) for p in frame.planes]
    return torch.stack(planes, -1).numpy().astype(np.int64)


def test_png_and_tiff_come_back_exactly(tmp_path: Path) -> None:
    for name in ("a.png", "a.tif"):
        Image.fromarray(PICTURE).save(tmp_path / name)
        frame = read_still(tmp_path / name)
        assert frame.encoding == SRGB_8BIT
        assert frame.planes[0].dtype is torch.uint8
        assert np.array_equal(upright(frame), PICTURE)


def test_jpeg_is_as_pillow_decodes_it(tmp_path: Path) -> None:
    path = tmp_path / "A.JPG"
    Image.fromarray(PICTURE).save(path, "JPEG", quality=90)
    assert np.array_equal(upright(read_still(path)), np.asarray(Image.open(path)))


@pytest.mark.parametrize("name", ["d.png", "d.tiff"])
def test_sixteen_bit_keeps_every_step(tmp_path: Path, name: str) -> None:
    deep = np.random.default_rng(0).integers(0, 65536, (9, 11, 3), dtype=np.uint16)
    cv2.imwrite(str(tmp_path / name), deep[..., ::-1])
    frame = read_still(tmp_path / name)
    assert frame.encoding.depth == 16
    assert frame.planes[0].dtype is torch.int32
    assert np.array_equal(upright(frame), deep)


@pytest.mark.parametrize("name", ["g.png", "g.tif"])
def test_sixteen_bit_grey_and_alpha(tmp_path: Path, name: str) -> None:
    generator = np.random.default_rng(0)
    grey = generator.integers(0, 65536, (9, 11), dtype=np.uint16)
    cv2.imwrite(str(tmp_path / name), grey)
    assert np.array_equal(upright(read_still(tmp_path / name)), np.dstack([grey] * 3))
    four = generator.integers(0, 65536, (9, 11, 4), dtype=np.uint16)
    cv2.imwrite(str(tmp_path / f"four-{name}"), four)
    said: list[str] = []
    frame = read_still(tmp_path / f"four-{name}", say=said.append)
    assert np.array_equal(upright(frame), four[..., [2, 1, 0]])
    assert any("transparency is ignored" in s for s in said)


@pytest.mark.parametrize("orientation", range(1, 9))
@pytest.mark.parametrize("name", ["o.jpg", "o.png", "o.tif"])
def test_all_eight_orientations(tmp_path: Path, name: str, orientation: int) -> None:
    path = tmp_path / name
    exif = Image.Exif()
    exif[0x0112] = orientation
    Image.fromarray(PICTURE).save(path, exif=exif)
    frame = read_still(path)
    with Image.open(path) as image:
        want = np.asarray(ImageOps.exif_transpose(image))
    assert np.array_equal(upright(frame), want)
    assert frame.upright_size == want.shape[:2]


@pytest.mark.parametrize("orientation", range(1, 9))
def test_all_eight_orientations_at_sixteen_bit(tmp_path: Path, orientation: int) -> None:
    tifffile = pytest.importorskip("tifffile")
    deep = np.random.default_rng(0).integers(0, 65536, (6, 10, 3), dtype=np.uint16)
    path = tmp_path / "o.tif"
    tags = [(274, "H", 1, orientation, True)]
    tifffile.imwrite(path, deep, photometric="rgb", extratags=tags)
    frame = read_still(path)
    eight = Image.fromarray((deep >> 8).astype(np.uint8))
    exif = eight.getexif()
    exif[0x0112] = orientation
    want = np.asarray(ImageOps.exif_transpose(eight))
    assert np.array_equal(upright(frame) >> 8, want)
    assert frame.encoding.depth == 16


def test_a_setting_replaces_the_exif_turn(tmp_path: Path) -> None:
    exif = Image.Exif()
    exif[0x0112] = 6
    Image.fromarray(PICTURE).save(tmp_path / "o.jpg", exif=exif)
    assert read_still(tmp_path / "o.jpg", quarter_turns=0).quarter_turns == 0


def wide_profile() -> bytes:
    """A profile of our own: sRGB with red and green swapped, so that a conversion cannot hide."""
    data = bytearray(ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes())
    data = bytearray(bytes(data).replace(b"rXYZ", b"tmpZ").replace(b"gXYZ", b"rXYZ"))
    data = bytearray(bytes(data).replace(b"tmpZ", b"gXYZ"))
    start = bytes(data).find(b"s\0R\0G\0B")
    data[start : start + 7] = b"m\0i\0n\0e"
    return bytes(data)


def test_an_embedded_profile_is_converted_to_srgb(tmp_path: Path) -> None:
    picture = np.zeros((4, 4, 3), np.uint8)
    picture[..., 0], picture[..., 1] = 200, 50
    path = tmp_path / "p.png"
    Image.fromarray(picture).save(path, icc_profile=wide_profile())
    got = upright(read_still(path))[0, 0]
    assert np.abs(got - [50, 200, 0]).max() <= 1
    srgb = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    Image.fromarray(picture).save(path, icc_profile=srgb)
    assert upright(read_still(path))[0, 0].tolist() == [200, 50, 0]


def test_a_deep_file_with_a_profile_is_converted_at_eight_bit_and_says_so(tmp_path: Path) -> None:
    tifffile = pytest.importorskip("tifffile")
    deep = np.zeros((4, 4, 3), np.uint16)
    deep[..., 0], deep[..., 1] = 200 * 257, 50 * 257
    path = tmp_path / "p.tif"
    tifffile.imwrite(path, deep, photometric="rgb", iccprofile=wide_profile())
    said: list[str] = []
    frame = read_still(path, say=said.append)
    assert frame.encoding.depth == 8
    assert np.abs(upright(frame)[0, 0] - [50, 200, 0]).max() <= 1
    assert any("8 bit, not 16" in s for s in said)


def test_a_damaged_profile_is_read_as_srgb(tmp_path: Path) -> None:
    Image.fromarray(PICTURE).save(tmp_path / "p.png", icc_profile=b"not a profile")
    assert np.array_equal(upright(read_still(tmp_path / "p.png")), PICTURE)


def test_transparency_is_dropped_without_compositing(tmp_path: Path) -> None:
    four = np.dstack([PICTURE, np.full((16, 24), 10, np.uint8)])
    Image.fromarray(four).save(tmp_path / "t.png")
    said: list[str] = []
    assert np.array_equal(upright(read_still(tmp_path / "t.png", say=said.append)), PICTURE)
    assert said == ["t.png: its transparency is ignored"]


def test_grey_palette_bilevel_and_cmyk(tmp_path: Path) -> None:
    grey = PICTURE[..., 0]
    Image.fromarray(grey).save(tmp_path / "g.jpg", quality=100)
    got = upright(read_still(tmp_path / "g.jpg"))
    assert np.abs(got - grey[..., None].astype(int)).max() <= 2
    Image.fromarray(PICTURE).quantize(16).save(tmp_path / "p.png")
    want = np.asarray(Image.open(tmp_path / "p.png").convert("RGB"))
    assert np.array_equal(upright(read_still(tmp_path / "p.png")), want)
    Image.fromarray(grey > 100).save(tmp_path / "b.png")
    assert np.array_equal(upright(read_still(tmp_path / "b.png"))[..., 0], (grey > 100) * 255)
    ink = Image.new("CMYK", (16, 16), (0, 255, 255, 0))  # magenta and yellow ink: red
    ink.save(tmp_path / "c.jpg", quality=95)
    said: list[str] = []
    red = upright(read_still(tmp_path / "c.jpg", say=said.append))[8, 8]
    assert red[0] > 200
    assert red[1:].max() < 60
    assert any("CMYK" in s for s in said)


def test_the_cameras_date_with_and_without_its_zone(tmp_path: Path) -> None:
    exif = Image.Exif()
    exif.get_ifd(0x8769).update({0x9003: "2031:05:06 07:08:09", 0x9011: "+05:30"})
    Image.fromarray(PICTURE).save(tmp_path / "d.jpg", exif=exif)
    zone = timezone(timedelta(hours=5, minutes=30))
    assert read_still(tmp_path / "d.jpg").taken == datetime(2031, 5, 6, 7, 8, 9, tzinfo=zone)
    exif = Image.Exif()
    exif.get_ifd(0x8769).update({0x9003: "2031:05:06 07:08:09"})
    Image.fromarray(PICTURE).save(tmp_path / "e.jpg", exif=exif)
    taken = read_still(tmp_path / "e.jpg").taken
    assert taken.tzinfo is not None
    assert taken.replace(tzinfo=None) == datetime(2031, 5, 6, 7, 8, 9)  # noqa: DTZ001 - wall time
    Image.fromarray(PICTURE).save(tmp_path / "f.jpg")
    mtime = (tmp_path / "f.jpg").stat().st_mtime
    assert read_still(tmp_path / "f.jpg").taken.timestamp() == pytest.approx(mtime, abs=1e-3)


def huge_png(width: int, height: int) -> bytes:
    """A PNG that claims a size and holds nothing (PNG specification, IHDR)."""
    head = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    chunks = b""
    for kind, data in ((b"IHDR", head), (b"IDAT", zlib.compress(b"\0")), (b"IEND", b"")):
        chunks += struct.pack(">I", len(data)) + kind + data
        chunks += struct.pack(">I", zlib.crc32(kind + data))
    return b"\x89PNG\r\n\x1a\n" + chunks


@pytest.mark.parametrize("size", [(15_000, 14_000), (60_000, 60_000)])
def test_far_too_many_pixels_are_refused_before_decoding(
    tmp_path: Path, size: tuple[int, int]
) -> None:
    (tmp_path / "bomb.png").write_bytes(huge_png(*size))
    with pytest.raises(SourceError, match="pixels; need at most 200 million"):
        read_still(tmp_path / "bomb.png")


def test_bad_stills_get_one_sentence_each(tmp_path: Path) -> None:
    good = tmp_path / "good.jpg"
    Image.fromarray(PICTURE).resize((240, 160)).save(good)
    data = good.read_bytes()
    cases = {
        "text.jpg": (b"no picture at all", "is not a picture"),
        "empty.png": (b"", "the file is empty"),
        "half.jpg": (data[: len(data) // 2], "only part of the file"),
        "raw.CR2": (b"II*\0", "is a raw or HEIF file"),
    }
    for name, (content, sentence) in cases.items():
        (tmp_path / name).write_bytes(content)
        with pytest.raises(SourceError, match=sentence) as caught:
            read_still(tmp_path / name)
        assert "\n" not in str(caught.value)
    with pytest.raises(SourceError, match="there is no such file"):
        read_still(tmp_path / "none.jpg")
    tifffile = pytest.importorskip("tifffile")
    tifffile.imwrite(tmp_path / "float.tif", np.zeros((4, 4, 3), np.float32), photometric="rgb")
    with pytest.raises(SourceError, match="PNG or TIFF of 8 or 16 bit"):
        read_still(tmp_path / "float.tif")
    deep = np.random.default_rng(0).integers(0, 65536, (40, 40, 3), dtype=np.uint16)
    cv2.imwrite(str(tmp_path / "deep.png"), deep)
    deep_data = (tmp_path / "deep.png").read_bytes()
    (tmp_path / "deep.png").write_bytes(deep_data[: len(deep_data) // 2])
    with pytest.raises(SourceError, match="only part of the file"):
        read_still(tmp_path / "deep.png")


def test_a_folder_plays_in_the_order_of_its_numbers_and_passes_over_bad_ones(
    tmp_path: Path,
) -> None:
    for number in (10, 2, 1):
        Image.new("RGB", (3, 2), (number, 0, 0)).save(tmp_path / f"IMG_{number}.png")
    (tmp_path / "IMG_3.jpg").write_bytes(b"broken")
    (tmp_path / "IMG_4.NEF").write_bytes(b"raw")
    (tmp_path / "notes.txt").write_text("no still")
    said: list[str] = []
    now = [50.0]
    slept: list[float] = []

    def sleep(seconds: float) -> None:
        slept.append(seconds)
        now[0] += seconds

    folder = StillsFolder(tmp_path, still_s=2, say=said.append, clock=lambda: now[0], sleep=sleep)
    folder.open()
    frames = []
    while (frame := folder.read()) is not None:
        frames.append(frame)
    assert [int(f.planes[0][0, 0]) for f in frames] == [1, 2, 10]
    assert [f.index for f in frames] == [0, 1, 2]
    assert [f.arrived_s for f in frames] == [50, 52, 54]
    assert any("1 raw or HEIF files" in s for s in said)
    assert any("IMG_3.jpg" in s and "not a picture" in s for s in said)
    folder.close()


def test_folders_with_nothing_to_show(tmp_path: Path) -> None:
    with pytest.raises(SourceError, match="holds no stills"):
        StillsFolder(tmp_path).open()
    (tmp_path / "a.jpg").write_bytes(b"broken")
    folder = StillsFolder(tmp_path, loop=True, paced=False, say=lambda _: None)
    folder.open()
    with pytest.raises(SourceError, match="none of its 1 stills can be read"):
        folder.read()


def test_the_limit_stands_above_the_largest_cameras() -> None:
    assert still_file.MOST_PIXELS > 14204 * 10652  # a 151 MP medium format back
