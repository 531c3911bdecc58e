"""Finished pictures read back: damaged ones are said, turned ones are turned."""

from __future__ import annotations

import random
import warnings
from pathlib import Path

import numpy as np
import pikepdf
import pytest
from PIL import Image

from stream.errors import UserError
from stream.prints.finished import look, pixels, srgb_pixels
from stream.prints.output import ENDINGS, Output
from stream.prints.picture import picture_bytes, picture_owner
from tests.stream.prints.scene import UNIQUE, about, picture


@pytest.mark.parametrize("form", ENDINGS)
def test_damaged_files_give_a_sentence_or_pixels(form: str, tmp_path: Path) -> None:
    path = tmp_path / f"a{ENDINGS[form]}"
    whole = picture_bytes(picture(), Output(form), about())
    said = 0
    for seed in range(60):
        rng = random.Random(seed)
        data = bytearray(whole)
        for _ in range(rng.choice((1, 5, 40))):
            data[rng.randrange(rng.choice((60, 600, len(data))))] = rng.randrange(256)
        if seed % 5 == 0:
            del data[rng.randrange(len(data)) :]
        path.write_bytes(data)
        told = ""
        with warnings.catch_warnings():
            # What the readers remark of damage is no matter here.
            warnings.simplefilter("ignore")
            try:
                shown = srgb_pixels(look(path))
                assert shown.dtype == np.uint8
                assert shown.ndim == 3
            except UserError as e:
                told = str(e)
            assert isinstance(picture_owner(path), str | None)
        if told:
            said += 1
            assert "\n" not in told
            assert str(tmp_path) not in told
    assert said >= 5


def test_a_camera_picture_is_turned_upright(tmp_path: Path) -> None:
    # CIPA DC-008: Orientation 6 is to be turned clockwise by a quarter.
    pixel = np.zeros((20, 30, 3), np.uint8)
    pixel[:10, :10] = 255
    exif = Image.Exif()
    exif[0x0112] = 6
    Image.fromarray(pixel).save(tmp_path / "a.png", dpi=(100, 100), exif=exif)
    found = look(tmp_path / "a.png")
    assert (found.size, found.upright) == ((30, 20), False)
    assert found.inches == pytest.approx((0.2, 0.3))
    assert (pixels(found) == np.rot90(pixel, -1)).all()


def test_grey_and_transparent_pictures_are_colours(tmp_path: Path) -> None:
    for mode, colour in (("L", 90), ("RGBA", (90, 90, 90, 255)), ("P", 3)):
        Image.new(mode, (30, 20), colour).save(tmp_path / "a.png", dpi=(100, 100))
        assert srgb_pixels(look(tmp_path / "a.png")).shape == (20, 30, 3)


def test_a_pdf_of_another_kind_is_said(tmp_path: Path) -> None:
    with pikepdf.new() as pdf:
        pdf.add_blank_page()
        pdf.save(tmp_path / "a.pdf")
    with pytest.raises(UserError, match=r"a\.pdf cannot be read as a picture"):
        look(tmp_path / "a.pdf")
    path = tmp_path / "b.pdf"
    path.write_bytes(picture_bytes(picture(), Output("pdf"), about()))
    assert look(path).ppi == pytest.approx(300, abs=0.01)
    assert picture_owner(path) == UNIQUE
