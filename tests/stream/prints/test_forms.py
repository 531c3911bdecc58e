"""Each form of a picture, read back by another library."""

from __future__ import annotations

import io
import xml.etree.ElementTree as ET
from datetime import UTC, datetime
from pathlib import Path

import cv2
import numpy as np
import pikepdf
import pytest
import tifffile
import torch
from PIL import Image, ImageCms

from stream.color_profile import srgb_profile
from stream.errors import UserError
from stream.prints.output import ENDINGS, Output
from stream.prints.picture import picture_bytes, picture_owner
from tests.stream.prints.profiles import inks, wide
from tests.stream.prints.scene import UNIQUE, about, picture, told

FORMS = tuple(ENDINGS)
COMPOSITE = "http://cv.iptc.org/newscodes/digitalsourcetype/compositeCapture"


def packet(data: bytes, form: str) -> bytes:
    """The XMP of a file."""
    if form == "pdf":
        with pikepdf.open(io.BytesIO(data)) as pdf:
            return bytes(pdf.Root.Metadata.read_bytes())
    if form.startswith("tiff"):
        with tifffile.TiffFile(io.BytesIO(data)) as file:
            return bytes(file.pages.first.tags[700].value)
    with Image.open(io.BytesIO(data)) as image:
        found = image.info["xmp"]
    return found if isinstance(found, bytes) else str(found).encode()


@pytest.mark.parametrize("form", FORMS)
def test_the_same_picture_is_the_same_file(form: str) -> None:
    output = Output(form, names=True)
    assert picture_bytes(picture(), output, about()) == picture_bytes(picture(), output, about())


@pytest.mark.parametrize("form", FORMS)
def test_whose_it_is_can_be_read_back(form: str, tmp_path: Path) -> None:
    path = tmp_path / f"a{ENDINGS[form]}"
    data = picture_bytes(picture(), Output(form), about())
    path.write_bytes(data)
    assert picture_owner(path) == UNIQUE
    for cut in (3, 30, 300, len(data) // 2):
        path.write_bytes(data[:cut])
        assert picture_owner(path) in (None, UNIQUE)
    path.write_bytes(picture_bytes(picture(), Output(form), about(unique="")))
    assert picture_owner(path) is None


@pytest.mark.parametrize("form", FORMS)
def test_xmp_says_what_the_event_allows(form: str) -> None:
    # IPTC Photo Metadata: PersonInImage, Event, DigitalSourceType; XMP: DerivedFrom.
    data = picture_bytes(picture(), Output(form, names=True), about())
    assert told(packet(data, form)) == {
        "kind": COMPOSITE,
        "people": ["Mira Tallow", "Çağla Yeldemir"],
        "event": "Spring <Dance> & more",
        "from": "0012-abcdef",
    }
    quiet = picture_bytes(picture(), Output(form), about())
    assert told(packet(quiet, form))["people"] == []
    assert b"Tallow" not in quiet
    assert b"PersonInImage" not in packet(quiet, form)


@pytest.mark.parametrize("form", ["jpeg", "tiff", "tiff16", "png", "png16"])
def test_exif_by_its_standard_numbers(form: str, tmp_path: Path) -> None:
    path = tmp_path / f"a{ENDINGS[form]}"
    path.write_bytes(picture_bytes(picture(), Output(form), about()))
    with Image.open(path) as image:
        exif = image.getexif()
        ifd = exif.get_ifd(0x8769)
        assert image.info["dpi"] == pytest.approx((300, 300), abs=0.01)
        assert image.info["icc_profile"] == srgb_profile()
        assert image.size == (40, 60)
    # CIPA DC-008: Orientation, Software, DateTimeOriginal, OffsetTimeOriginal, ImageUniqueID,
    # ColorSpace, PixelXDimension.
    assert exif[0x0112] == 1
    assert exif[0x0131].startswith("Posewall")
    assert (ifd[0x9003], ifd[0x9011]) == ("2026:05:31 18:04:05", "+02:00")
    assert (ifd[0xA420], ifd[0xA001], ifd[0xA002]) == (UNIQUE, 1, 40)
    path.write_bytes(
        picture_bytes(picture(), Output(form), about(taken=datetime(2026, 1, 2, tzinfo=UTC)))
    )
    with Image.open(path) as image:
        assert image.getexif().get_ifd(0x8769)[0x9011] == "+00:00"


@pytest.mark.parametrize("depth", [8, 16])
def test_tiff_keeps_every_code(depth: int) -> None:
    pixels = picture(depth=16)
    data = picture_bytes(pixels, Output("tiff16" if depth == 16 else "tiff"), about())
    with tifffile.TiffFile(io.BytesIO(data)) as file:
        page = file.pages.first
        assert page.bitspersample == depth
        # TIFF 6.0: ResolutionUnit 2 is the inch; RGB is 2; uncompressed is 1.
        assert page.tags["ResolutionUnit"].value == 2
        assert page.tags["XResolution"].value == (300, 1)
        assert (page.photometric, page.compression) == (2, 1)
        codes = [tag.code for tag in page.tags]
        assert codes == sorted(codes), "TIFF 6.0: entries in ascending order"
        got = page.asarray()
    want = pixels.numpy() if depth == 16 else np.round(pixels.numpy() / 257)
    assert (got == want).all()


def test_png_keeps_every_code_at_both_depths() -> None:
    for form, depth in (("png", 8), ("png16", 16)):
        pixels = picture(depth=depth)
        data = picture_bytes(pixels, Output(form), about())
        back = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_UNCHANGED)
        assert back is not None
        assert back.dtype == (np.uint8 if depth == 8 else np.uint16)
        assert (back[:, :, ::-1] == pixels.numpy()).all()


def test_depths_meet_by_rounding() -> None:
    shallow = picture(depth=8)
    data = picture_bytes(shallow, Output("tiff16"), about())
    assert (tifffile.imread(io.BytesIO(data)) == shallow.numpy().astype(int) * 257).all()
    deep = torch.tensor([[[0, 128, 129], [65535, 65407, 65406]]], dtype=torch.int32)
    data = picture_bytes(deep, Output("tiff"), about())
    # Half a code of 8 bits is 128.5 of 16.
    assert tifffile.imread(io.BytesIO(data)).tolist() == [[[0, 0, 1], [255, 255, 254]]]
    again = picture_bytes(deep.to(torch.uint16), Output("tiff"), about())
    assert again == data
    with pytest.raises(UserError, match="need"):
        picture_bytes(torch.zeros(3, 4, 3), Output(), about())


@pytest.mark.parametrize(
    ("chroma", "layers"),
    # ITU-T T.81, B.2.2: horizontal and vertical sampling factors.
    [("4:4:4", (1, 1)), ("4:2:2", (2, 1)), ("4:2:0", (2, 2))],
)
def test_jpeg_keeps_colour_as_finely_as_asked(chroma: str, layers: tuple[int, int]) -> None:
    data = picture_bytes(picture(), Output(chroma=chroma, quality=80), about())
    with Image.open(io.BytesIO(data)) as image:
        assert image.layer[0][1:3] == layers  # type: ignore[attr-defined]
        assert [x[1:3] for x in image.layer[1:]] == [(1, 1)] * 2  # type: ignore[attr-defined]
        # JFIF 1.02: units 1 is dots an inch.
        assert (image.info["jfif_unit"], image.info["jfif_density"]) == (1, (300, 300))
    assert chroma in Output(chroma=chroma, quality=80).said()
    assert "quality 80" in Output(chroma=chroma, quality=80).said()


def test_quality_is_a_matter_of_bytes() -> None:
    sizes = [
        len(picture_bytes(picture(300, 200), Output(quality=q), about())) for q in (50, 90, 100)
    ]
    assert sizes == sorted(sizes)
    assert len(set(sizes)) == 3


@pytest.mark.parametrize("form", ["jpeg", "tiff", "png", "tiff16", "png16", "pdf"])
def test_bleed_is_kept_or_cut(form: str) -> None:
    pixels, facts = picture(60, 40), about(bleed_px=6)
    kept = picture_bytes(pixels, Output(form), facts)
    cut = picture_bytes(pixels, Output(form, bleed="cut"), facts)
    assert cut == picture_bytes(pixels[6:54, 6:34], Output(form), about())
    assert len(kept) > len(cut)


def test_a_cut_print_has_the_pixels_of_its_paper() -> None:
    # 1/8 inch at 300 ppi is 37.5 pixels a side: of 1275 x 1875, 1200 x 1800 are left, and the
    # pixel more lies right and below.
    facts = about(bleed_px=37, trim_in=(4.0, 6.0))
    pixels = picture(1875, 1275)
    data = picture_bytes(pixels, Output("png", bleed="cut"), facts)
    with Image.open(io.BytesIO(data)) as image:
        assert image.size == (1200, 1800)
        assert (np.asarray(image) == pixels[37:1837, 37:1237].numpy()).all()


@pytest.mark.parametrize("form", ["jpeg", "tiff", "png", "tiff16", "png16"])
def test_an_output_profile_is_used_and_embedded(form: str, tmp_path: Path) -> None:
    path = tmp_path / "wide.icc"
    path.write_bytes(wide())
    pixels = picture(depth=16)
    data = picture_bytes(pixels, Output(form, quality=100, profile=path), about())
    with Image.open(io.BytesIO(data)) as image:
        assert image.info["icc_profile"] == wide()
        # CIPA DC-008, ColorSpace: 65535 is uncalibrated.
        assert image.getexif().get_ifd(0x8769)[0xA001] == 65535
        back = np.asarray(
            ImageCms.profileToProfile(
                image.convert("RGB"),
                ImageCms.ImageCmsProfile(io.BytesIO(wide())),
                ImageCms.createProfile("sRGB"),
                ImageCms.Intent.RELATIVE_COLORIMETRIC,
            )
        )
    far = np.abs(back.astype(int) - np.round(pixels.numpy() / 257))
    assert far.mean() < 2
    assert np.quantile(far, 0.95) <= 4


@pytest.mark.parametrize("form", ["jpeg", "tiff", "tiff16"])
def test_inks_look_like_the_picture(form: str, tmp_path: Path) -> None:
    path = tmp_path / "inks.icc"
    path.write_bytes(inks())
    data = picture_bytes(picture(), Output(form, quality=100, profile=path), about())
    if form == "tiff16":
        plain = tifffile.imread(io.BytesIO(data))
        assert plain.dtype == np.uint16
        image = Image.fromarray((plain >> 8).astype(np.uint8), "CMYK")
    else:
        image = Image.open(io.BytesIO(data))
    with image:
        assert image.mode == "CMYK"
        back = ImageCms.profileToProfile(
            image,
            ImageCms.ImageCmsProfile(io.BytesIO(inks())),
            ImageCms.createProfile("sRGB"),
            ImageCms.Intent.RELATIVE_COLORIMETRIC,
            "RGB",
            flags=ImageCms.Flags.BLACKPOINTCOMPENSATION,
        )
    assert np.abs(np.asarray(back).astype(int) - picture().numpy()).mean() < 4


def test_png_takes_no_inks(tmp_path: Path) -> None:
    path = tmp_path / "inks.icc"
    path.write_bytes(inks())
    for form in ("png", "png16"):
        with pytest.raises(UserError, match="PNG files cannot hold"):
            picture_bytes(picture(), Output(form, profile=path), about())


def test_more_names_than_a_jpeg_holds_are_said() -> None:
    crowd = about(people=tuple(f"Person {n:05d} of a very large group" for n in range(2000)))
    with pytest.raises(UserError, match="without names, or as TIFF or PNG"):
        picture_bytes(picture(), Output(names=True), crowd)
    ET.fromstring(packet(picture_bytes(picture(), Output("tiff", names=True), crowd), "tiff"))


def test_files_that_are_nobodys(tmp_path: Path) -> None:
    for name, data in (("a.jpg", b"no picture"), ("b.pdf", b"%PDF-1.7 nothing"), ("c", b"")):
        (tmp_path / name).write_bytes(data)
        assert picture_owner(tmp_path / name) is None
    assert picture_owner(tmp_path / "nowhere.jpg") is None
    with pikepdf.new() as pdf:
        pdf.add_blank_page()
        pdf.save(tmp_path / "d.pdf")
    assert picture_owner(tmp_path / "d.pdf") is None
