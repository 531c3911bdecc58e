"""PDF pictures, read back by PDFium (drawn) and pikepdf (their structure)."""

from __future__ import annotations

import io
from pathlib import Path

import numpy as np
import pikepdf
import pypdfium2
import pytest
from numpy.typing import NDArray

from stream.prints.output import Output
from stream.prints.pdf_file import Rect, crop_marks
from stream.prints.picture import picture_bytes
from stream.template.paper import PAPERS
from tests.stream.prints.profiles import inks
from tests.stream.prints.scene import UNIQUE, about, picture

PPI = 300


def drawn(data: bytes, ppi: float) -> tuple[NDArray[np.uint8], pypdfium2.PdfPage]:
    """The first page as pixels, (H, W, 3), and itself."""
    page = pypdfium2.PdfDocument(data)[0]
    # PDFium keeps sizes as 32-bit floats, and rounds up: a hair less keeps pixels where they are.
    image = page.render(scale=ppi / 72 * (1 - 1e-9), may_draw_forms=False).to_pil()
    return np.asarray(image.convert("RGB")), page


def cut(pixels: NDArray[np.uint8], box: tuple[float, ...], ppi: float) -> NDArray[np.uint8]:
    """What lies in a box of points, from the lower left corner."""
    left, low, right, high = (round(v * ppi / 72) for v in box)
    return pixels[pixels.shape[0] - high : pixels.shape[0] - low, left:right]


@pytest.mark.parametrize("marks", [False, True])
@pytest.mark.parametrize(("ppi", "step"), [(288, 4), (144, 2), (360, 5)])
@pytest.mark.parametrize("bleed", [0, 1])
def test_the_picture_stands_pixel_by_pixel(marks: bool, ppi: int, step: int, bleed: int) -> None:
    # A whole number of pixels a point, or PDFium's 32-bit floats move it by a part of a pixel.
    h, w, bleed = 30 * step, 20 * step, 3 * bleed * step
    pixels = picture(h, w)
    output = Output("pdf", marks=marks)
    data = picture_bytes(pixels, output, about(ppi=float(ppi), bleed_px=bleed))
    page_pixels, page = drawn(data, ppi)
    shown = cut(page_pixels, page.get_bleedbox(), ppi)
    assert np.abs(shown.astype(int) - pixels.numpy()).max() <= 1
    inner = pixels[bleed : h - bleed, bleed : w - bleed]
    assert np.abs(cut(page_pixels, page.get_trimbox(), ppi).astype(int) - inner.numpy()).max() <= 1
    assert (page_pixels.size > shown.size) == marks


@pytest.mark.parametrize("name", PAPERS)
def test_the_page_is_the_paper(name: str) -> None:
    # PWG 5101.1 and ISO 216 by way of PAPERS (tests/reference/test_paper_sizes.py): 72 points an
    # inch, 1/25.4 of that a millimetre.
    paper = PAPERS[name]
    h, w = paper.pixels(30)
    facts = about(ppi=30.0, trim_in=(paper.width_in, paper.height_in))
    with pikepdf.open(io.BytesIO(picture_bytes(picture(h, w), Output("pdf"), facts))) as pdf:
        box = [float(v) for v in pdf.pages[0].mediabox]
    assert box == pytest.approx([0, 0, paper.width_in * 72, paper.height_in * 72], abs=1e-4)
    if name == "a4":
        assert box[2:] == pytest.approx([595.2756, 841.8898], abs=1e-3)


def test_boxes_lie_in_each_other() -> None:
    paper = PAPERS["4x6"]
    h, w = paper.pixels(80, bleed=True)
    facts = about(ppi=80.0, bleed_px=10, trim_in=(4.0, 6.0))
    data = picture_bytes(picture(h, w), Output("pdf", marks=True), facts)
    with pikepdf.open(io.BytesIO(data)) as pdf:
        page = pdf.pages[0]
        media, bleed, trim = (
            [float(v) for v in page.obj[k].as_list()]
            for k in ("/MediaBox", "/BleedBox", "/TrimBox")
        )
    assert trim[2] - trim[0] == pytest.approx(4 * 72, abs=1e-3)
    assert trim[3] - trim[1] == pytest.approx(6 * 72, abs=1e-3)
    # ISO 32000-2, 14.11.2: media around bleed around trim; the bleed is 1/8 inch, 9 points.
    assert trim[0] - bleed[0] == pytest.approx(9, abs=1e-3)
    assert media[0] == media[1] == 0
    assert bleed[0] > 10
    assert media[2] - bleed[2] == pytest.approx(bleed[0], abs=1e-3)


def test_a_page_is_cut_at_whole_pixels_of_a_bleed_that_has_none() -> None:
    # 1/8 inch at 100 ppi is 12.5 pixels: 12 left and above, 13 right and below, .72 points each.
    facts = about(ppi=100.0, bleed_px=12, trim_in=(4.0, 6.0))
    data = picture_bytes(picture(625, 425), Output("pdf"), facts)
    with pikepdf.open(io.BytesIO(data)) as pdf:
        bleed, trim = (
            [float(v) for v in pdf.pages[0].obj[k].as_list()] for k in ("/BleedBox", "/TrimBox")
        )
    assert [trim[2] - trim[0], trim[3] - trim[1]] == pytest.approx([288, 432], abs=1e-3)
    assert [trim[0] - bleed[0], trim[1] - bleed[1]] == pytest.approx([8.64, 9.36], abs=1e-3)
    assert [bleed[2] - trim[2], bleed[3] - trim[3]] == pytest.approx([9.36, 8.64], abs=1e-3)


def test_marks_lie_outside_the_bleed_in_line_with_the_edges() -> None:
    trim = Rect(100, 200, 288, 432)
    lines = crop_marks(trim, 12)
    assert len(lines) == 8
    bleed = trim.grown(9)
    for x0, y0, x1, y1 in lines:
        assert x0 == x1 or y0 == y1
        assert (x0 == x1 and x0 in (100, 388)) or (y0 == y1 and y0 in (200, 632))
        for x, y in ((x0, y0), (x1, y1)):
            inside = bleed.x < x < bleed.x + bleed.w and bleed.y < y < bleed.y + bleed.h
            assert not inside
    pixels, page = drawn(
        picture_bytes(picture(150, 118), Output("pdf", marks=True), about(bleed_px=9)), PPI
    )
    left, low, right, high = (round(v * PPI / 72) for v in page.get_bleedbox())
    outside = np.ones(pixels.shape[:2], bool)
    outside[pixels.shape[0] - high : pixels.shape[0] - low, left:right] = False
    assert 8 * 30 < (pixels[outside].min(1) < 200).sum() < 8 * 300


def test_it_holds_colours_by_their_profile_and_a_date() -> None:
    data = picture_bytes(picture(), Output("pdf"), about())
    with pikepdf.open(io.BytesIO(data)) as pdf:
        (image,) = pdf.pages[0].obj.Resources.XObject.as_dict().values()
        kind, profile = image.ColorSpace.as_list()
        assert kind == pikepdf.Name.ICCBased
        assert profile.N == 3
        assert profile.read_bytes()[36:40] == b"acsp"
        assert image.Filter == pikepdf.Name.FlateDecode
        got = np.frombuffer(image.read_bytes(), np.uint8).reshape(60, 40, 3)
        assert (got == picture().numpy()).all()
        assert str(pdf.docinfo["/CreationDate"]) == "D:20260531180405+02'00'"
        assert UNIQUE.encode() in pdf.Root.Metadata.read_bytes()
        assert pdf.check_pdf_syntax() == []


def test_jpeg_inside_is_smaller_and_near() -> None:
    pixels = picture(150, 118)
    small = picture_bytes(pixels, Output("pdf", pdf="jpeg", quality=90), about())
    assert len(small) < len(picture_bytes(pixels, Output("pdf"), about()))
    page_pixels, _ = drawn(small, PPI)
    assert np.abs(page_pixels.astype(int) - pixels.numpy()).mean() < 4


@pytest.mark.parametrize("kind", ["lossless", "jpeg"])
def test_inks_are_the_right_way_round(kind: str, tmp_path: Path) -> None:
    path = tmp_path / "inks.icc"
    path.write_bytes(inks())
    pixels = picture(150, 118)
    data = picture_bytes(pixels, Output("pdf", pdf=kind, profile=path), about())
    with pikepdf.open(io.BytesIO(data)) as pdf:
        (image,) = pdf.pages[0].obj.Resources.XObject.as_dict().values()
        assert image.ColorSpace.as_list()[1].N == 4
    shown, _ = drawn(data, PPI)
    # PDFium converts with another intent: the same picture, not the same codes.
    assert np.abs(shown.astype(int) - pixels.numpy()).mean() < 25
