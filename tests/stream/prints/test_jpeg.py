"""The usual file, JPEG, as another library and the standards' own tag numbers read it."""

from __future__ import annotations

import io
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
import torch
from PIL import Image, ImageCms
from PIL.JpegImagePlugin import JpegImageFile

from stream.color_profile import srgb_profile
from stream.prints.about import About
from stream.prints.jpeg_file import without_facts
from stream.prints.output import Output
from stream.prints.picture import picture_bytes, picture_owner
from tests.stream.prints.scene import TAKEN, UNIQUE


def picture(pixels: torch.Tensor | None = None, taken: datetime = TAKEN) -> bytes:
    if pixels is None:
        pixels = torch.zeros(30, 20, 3, dtype=torch.uint8)
    return picture_bytes(pixels, Output(), About(300, taken, UNIQUE))


def test_tags_by_their_standard_numbers() -> None:
    with JpegImageFile(io.BytesIO(picture())) as image:
        exif = image.getexif()
        ifd = exif.get_ifd(0x8769)
        # JFIF 1.02: units 1 is dots an inch; component order and factors are ITU-T T.81.
        assert (image.info["jfif_unit"], image.info["jfif_density"]) == (1, (300, 300))
        assert [layer[1:3] for layer in image.layer] == [(1, 1)] * 3
        assert image.size == (20, 30)
    # CIPA DC-008: Orientation, Software, DateTimeOriginal, OffsetTimeOriginal, ImageUniqueID.
    assert exif[0x0112] == 1
    assert exif[0x0131].startswith("Posewall")
    assert ifd[0x9003] == "2026:05:31 18:04:05"
    assert ifd[0x9011] == "+02:00"
    assert ifd[0xA420] == UNIQUE


def test_the_profile_is_srgb_by_its_own_numbers() -> None:
    data = picture()
    with Image.open(io.BytesIO(data)) as image:
        embedded = image.info["icc_profile"]
    assert embedded == srgb_profile()
    # IEC 61966-2-1: code 188 is linear .50288646; through the profile to linear XYZ and back.
    profile = ImageCms.ImageCmsProfile(io.BytesIO(embedded))
    srgb = ImageCms.createProfile("sRGB")
    through = ImageCms.buildTransform(profile, srgb, "RGB", "RGB")
    ramp = np.stack([np.arange(256, dtype=np.uint8)] * 3, -1)[None]
    back = np.asarray(ImageCms.applyTransform(Image.fromarray(ramp), through))
    assert np.abs(back.astype(int) - ramp).max() <= 1
    lab = ImageCms.buildTransform(profile, ImageCms.createProfile("LAB"), "RGB", "LAB")
    grey = Image.new("RGB", (1, 1), (188, 188, 188))
    lightness = float(np.asarray(ImageCms.applyTransform(grey, lab))[0, 0, 0]) * 100 / 255
    # CIE 1976: L* = 116 Y^(1/3) - 16 = 76.24 at Y = .50288646 (computed).
    assert lightness == pytest.approx(76.24, abs=0.4)


def test_pixels_survive_at_full_chroma() -> None:
    # One-pixel red and blue columns: subsampled chroma would make them one purple.
    pixels = torch.zeros(16, 16, 3, dtype=torch.uint8)
    pixels[:, 0::2, 0], pixels[:, 1::2, 2] = 255, 255
    with Image.open(io.BytesIO(picture(pixels))) as image:
        back = np.asarray(image.convert("RGB")).astype(int)
    assert np.abs(back - pixels.numpy()).max() < 60


def test_the_same_picture_is_the_same_file_and_names_nobody() -> None:
    assert picture() == picture()
    assert b"2026:05:31" in picture()
    # IPTC Photo Metadata: the picture says that it is composed; it carries no person's name.
    assert b"digitalsourcetype/compositeCapture" in picture()
    assert b"PersonInImage" not in picture()


def test_utc_and_the_owner(tmp_path: Path) -> None:
    path = tmp_path / "a.jpg"
    path.write_bytes(picture(taken=datetime(2026, 1, 2, 3, 4, 5, tzinfo=UTC)))
    assert picture_owner(path) == UNIQUE
    path.write_bytes(b"no picture")
    assert picture_owner(path) is None
    assert picture_owner(tmp_path / "nowhere.jpg") is None


@pytest.mark.parametrize("mode", ["RGB", "CMYK", "L"])
@pytest.mark.parametrize("progressive", [False, True])
def test_without_facts_the_pixels_are_the_same(mode: str, progressive: bool) -> None:
    out = io.BytesIO()
    exif = Image.Exif()
    # CIPA DC-008: ImageDescription.
    exif[0x010E] = "Mira Tallow"
    noise = np.random.default_rng(3).integers(0, 256, (40, 56, 3), np.uint8)
    Image.fromarray(noise).convert(mode).save(
        out, "JPEG", exif=exif, xmp=b"<Mira/>", comment="Mira", progressive=progressive,
        icc_profile=srgb_profile() if mode == "RGB" else None, restart_marker_blocks=2,
    )  # fmt: skip
    plain = without_facts(out.getvalue())
    assert b"Mira" not in plain
    with Image.open(io.BytesIO(plain)) as bare, Image.open(out) as whole:
        assert np.array_equal(np.asarray(bare), np.asarray(whole))
        assert not bare.getexif()
        assert not {"xmp", "comment", "icc_profile"} & set(bare.info)


def test_without_facts_a_damaged_file_stays_a_damaged_file() -> None:
    data = picture()
    for end in range(0, 700, 7):
        assert len(without_facts(data[:end])) <= end
    assert without_facts(b"\xff\xd8\xff") == b"\xff\xd8\xff"
