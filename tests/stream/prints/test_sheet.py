"""Sheets by the command, looked at by PDFium."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pypdfium2
import pytest
from numpy.typing import NDArray
from PIL import Image

from stream.cli import main
from stream.prints.finished import look, pixels, srgb_pixels
from stream.prints.output import ENDINGS, Output
from stream.prints.picture import picture_bytes
from tests.stream.prints.profiles import inks, wide
from tests.stream.prints.scene import UNIQUE, about, picture

PPI = 72.0


def write(path: Path, output: Output, w: int = 144, h: int = 216) -> Path:
    """A picture of w x h points."""
    path.write_bytes(picture_bytes(picture(h, w), output, about(ppi=PPI)))
    return path


def shown(path: Path, page: int = 0) -> NDArray[np.uint8]:
    """A page of a PDF at 72 pixels an inch."""
    return np.asarray(pypdfium2.PdfDocument(path)[page].render(scale=1).to_pil().convert("RGB"))


@pytest.mark.parametrize("form", ENDINGS)
@pytest.mark.parametrize("profile", [None, wide, inks])
def test_every_form_can_be_read_back(form: str, profile: object, tmp_path: Path) -> None:
    path = None
    if profile is not None:
        path = tmp_path / "paper.icc"
        path.write_bytes(wide() if profile is wide else inks())
    if profile is inks and form.startswith("png"):
        pytest.skip("PNG holds no inks")
    for pdf in ("lossless", "jpeg"):
        file = write(tmp_path / f"a{ENDINGS[form]}", Output(form, 100, profile=path, pdf=pdf))
        found = look(file)
        assert found.inches == pytest.approx((2, 3), abs=1e-3)
        assert pixels(found).shape == (216, 144, 4 if profile is inks else 3)
        far = np.abs(srgb_pixels(found).astype(int) - picture(216, 144).numpy())
        assert far.mean() < 4


def test_a_sheet_shows_its_pictures_pixel_by_pixel(tmp_path: Path) -> None:
    file = write(tmp_path / "a.png", Output("png"))
    out = tmp_path / "sheet.pdf"
    words = ["sheet", str(file), "--copies", "5", "--paper", "5x7", "--gap", "0", "--margin", "0"]
    assert main([*words, "--no-marks", "--out", str(out)]) == 0
    page = shown(out)
    assert page.shape[:2] == (504, 360)
    want = picture(216, 144).numpy().astype(int)
    # Two of 2 x 3 inches side by side, two rows; a fifth lies turned or on a second sheet.
    assert np.abs(page[:216, :144] - want).max() <= 1
    assert np.abs(page[:216, 144:288] - want).max() <= 1
    found = 0
    for n in range(len(pypdfium2.PdfDocument(out))):
        found += round((shown(out, n).min(2) < 250).sum() / (216 * 144))
    assert found == 5


def test_a_turned_picture_is_the_same_as_pdf_and_as_pixels(tmp_path: Path) -> None:
    file = write(tmp_path / "a.png", Output("png"))
    words = ["sheet", str(file), "--paper", "3x2in", "--gap", "0", "--margin", "0", "--ppi", "72"]
    assert main([*words, "--out", str(tmp_path / "s.pdf")]) == 0
    assert main([*words, "--out", str(tmp_path / "s.tif")]) == 0
    want = np.rot90(picture(216, 144).numpy()).astype(int)
    assert np.abs(shown(tmp_path / "s.pdf") - want).max() <= 1
    with Image.open(tmp_path / "s.tif") as image:
        assert np.abs(np.asarray(image) - want).max() == 0
        assert image.info["dpi"] == (72, 72)


def test_marks_lie_at_the_corners_and_by_the_bleed(tmp_path: Path) -> None:
    file = write(tmp_path / "a.png", Output("png"))
    words = ["sheet", str(file), "--paper", "4x6", "--margin", "20", "--ppi", "288"]
    for bleed, name in (("0", "plain.jpg"), ("3", "bled.jpg")):
        assert main([*words, "--bleed", bleed, "--out", str(tmp_path / name)]) == 0
    for bleed_mm, name in ((0.0, "plain.jpg"), (3.0, "bled.jpg")):
        page = np.asarray(Image.open(tmp_path / name).convert("L"))
        assert page.shape == (6 * 288, 4 * 288)
        edge = (20 + bleed_mm) / 25.4 * 288
        # Above the picture dark columns are marks: they stand where it is cut.
        above = page[: round(19 / 25.4 * 288)].min(0)
        dark = np.flatnonzero(above < 100)
        assert len(dark) > 0, name
        assert abs(dark.min() - edge) <= 2
        assert abs(dark.max() - (edge + (2 - 2 * bleed_mm / 25.4) * 288)) <= 2


def test_what_has_no_place_is_said_and_the_others_go_on(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    good = write(tmp_path / "good.jpg", Output())
    large = write(tmp_path / "large.jpg", Output(), 720, 720)
    (tmp_path / "bad.jpg").write_bytes(b"no picture")
    Image.new("RGB", (9, 9)).save(tmp_path / "unsized.png")
    bad = [tmp_path / n for n in ("bad.jpg", "unsized.png", "gone.jpg", "words.txt")]
    out = tmp_path / "s.pdf"
    words = [str(f) for f in (good, large, *bad)]
    assert main(["sheet", *words, "--paper", "a5", "--out", str(out)]) == 1
    told = capsys.readouterr()
    assert "1 print on 1 sheet" in told.out
    assert "large.jpg is 10 x 10 in (254 x 254 mm) and the paper has room" in told.err
    for file in bad:
        assert len(re.findall(re.escape(file.name), told.err)) == 1
    assert "Traceback" not in told.err
    assert main(["sheet", str(good), "--out", str(out)]) == 2
    assert "is there already" in capsys.readouterr().err
    assert main(["sheet", str(large), "--paper", "4x6", "--out", str(tmp_path / "t.pdf")]) == 2
    assert main(["sheet", "--out", str(tmp_path / "t.pdf")]) == 2
    assert main(["sheet", str(good), "--out", str(tmp_path / "t.gif")]) == 2
    for paper in ("a99", "0x5in", "999x5mm", "4x6cm"):
        with pytest.raises(SystemExit):
            main(["sheet", str(good), "--paper", paper])


def test_several_pages_get_numbers(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = write(tmp_path / "a.jpg", Output())
    words = ["sheet", str(file), "--copies", "3", "--paper", "2x3in", "--margin", "0"]
    assert main([*words, "--ppi", "72", "--quality", "80", "--out", str(tmp_path / "s.jpg")]) == 0
    assert "quality 80, chroma 4:4:4" in capsys.readouterr().out
    assert sorted(p.name for p in tmp_path.glob("s*")) == ["s-1.jpg", "s-2.jpg", "s-3.jpg"]


def test_a_sheet_says_nothing_of_those_in_its_pictures(tmp_path: Path) -> None:
    file = write(tmp_path / "a.jpg", Output(names=True))
    assert b"Mira Tallow" in file.read_bytes()
    assert main(["sheet", str(file), "--out", str(tmp_path / "s.pdf")]) == 0
    assert b"Mira" not in (tmp_path / "s.pdf").read_bytes()
    assert UNIQUE.encode() not in (tmp_path / "s.pdf").read_bytes()
