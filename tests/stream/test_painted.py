"""Masks as files: every form that a paint program writes, and what is no mask."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest
import torch
from numpy.typing import NDArray
from PIL import Image

from stream.painted import MaskError, read_mask

SIZE = (40, 60)


def strokes() -> NDArray[np.uint8]:
    """R'G'B' and alpha: white left, black right, soft towards the middle, nothing between."""
    out = np.zeros((*SIZE, 4), np.uint8)
    out[:, :20] = 255
    out[:, 10:20, 3] = np.linspace(255, 0, 10).astype(np.uint8)
    out[:, 40:, 3] = 255
    out[:, 40:50, 3] = np.linspace(0, 255, 10).astype(np.uint8)
    return out


def want() -> torch.Tensor:
    cover = torch.from_numpy(strokes()[..., 3].astype(np.float32)) / 255
    left = torch.arange(SIZE[1]) < 30
    return torch.stack([cover * left, cover * ~left])[None]


def over_grey() -> NDArray[np.uint8]:
    data = strokes().astype(np.float32)
    alpha = data[..., 3:] / 255
    return np.round(data[..., :3] * alpha + 128 * (1 - alpha)).astype(np.uint8)


def check(path: Path, within: float = 0.01) -> None:
    got = read_mask(path)
    assert got.size == SIZE
    assert float((got.strokes - want()).abs().max()) <= within


def test_a_transparent_layer(tmp_path: Path) -> None:
    path = tmp_path / "m.png"
    Image.fromarray(strokes()).save(path)
    check(path)
    Image.fromarray(strokes()[..., [0, 3]]).save(path)
    check(path)


def test_deep_files(tmp_path: Path) -> None:
    path = tmp_path / "m.png"
    cv2.imwrite(str(path), strokes().astype(np.uint16) * 257)
    check(path)
    grey = over_grey()[..., 0].astype(np.uint16) * 257
    cv2.imwrite(str(path), grey)
    # Opaque grey near the middle is no paint, so that the foot of a soft stroke is cut.
    check(path, 0.13)


@pytest.mark.parametrize("mode", ["RGB", "L", "P"])
def test_over_an_opaque_grey(mode: str, tmp_path: Path) -> None:
    path = tmp_path / "m.png"
    image = Image.fromarray(over_grey())
    (image.quantize(64) if mode == "P" else image.convert(mode)).save(path)
    check(path, 0.13)
    got = read_mask(path).strokes
    assert float(got[..., 20:40].max()) == 0
    assert float(got[0, 0, :, :9].min()) == 1


def test_one_bit_and_a_transparent_colour(tmp_path: Path) -> None:
    path = tmp_path / "m.png"
    hard = Image.fromarray(np.where(strokes()[..., 0] > 128, 255, 0).astype(np.uint8))
    hard.convert("1").save(path)
    got = read_mask(path).strokes
    assert float(got.sum(1).min()) == 1
    assert float(got[:, 0, :, :20].min()) == 1
    hard.save(path, transparency=0)
    got = read_mask(path).strokes
    assert float(got[:, 0, :, :20].min()) == 1
    assert float(got[:, 1].max()) == 0


def test_an_orientation_that_the_editor_wrote(tmp_path: Path) -> None:
    """Exif 2.32, Orientation 6: to be turned a quarter clockwise."""
    path = tmp_path / "m.png"
    exif = Image.Exif()
    exif[0x0112] = 6
    Image.fromarray(np.rot90(strokes()).copy()).save(path, exif=exif)
    check(path)


@pytest.mark.parametrize("opaque", [False, True])
def test_a_small_dab_of_colour_is_no_stroke(opaque: bool, tmp_path: Path) -> None:
    """Red is dark in its green channel and yellow bright; both are as if not painted."""
    path = tmp_path / "m.png"
    paint = np.zeros((200, 300, 4), np.uint8)
    paint[:40] = 255
    if opaque:
        paint[40:] = (128, 128, 128, 255)
    Image.fromarray(paint).save(path)
    plain = read_mask(path)
    paint[100:108, 100:108] = (230, 20, 20, 255)
    paint[100:108, 108] = (230, 20, 20, 30)  # the rim of a soft brush
    paint[150:156, 200:206] = (250, 250, 20, 255)
    Image.fromarray(paint).save(path)
    assert torch.equal(read_mask(path).strokes, plain.strokes)
    paint[:40] = paint[-1, -1]
    Image.fromarray(paint).save(path)
    with pytest.raises(MaskError, match="has colours in it"):
        read_mask(path)


def test_what_is_no_mask_is_said(tmp_path: Path) -> None:
    photo = np.random.default_rng(1).integers(0, 255, (*SIZE, 3), np.uint8)
    Image.fromarray(photo).save(tmp_path / "photo.png")
    Image.fromarray(photo).save(tmp_path / "photo.jpg")
    (tmp_path / "text.png").write_text("no picture")
    Image.new("RGBA", SIZE, (0, 0, 0, 0)).save(tmp_path / "empty.png")
    Image.new("L", SIZE, 128).save(tmp_path / "grey.png")
    Image.fromarray(strokes()).save(tmp_path / "whole.png")
    noisy = np.random.default_rng(1).integers(0, 255, (200, 300), np.uint8)
    Image.fromarray(noisy).save(tmp_path / "whole.png")
    (tmp_path / "half.png").write_bytes((tmp_path / "whole.png").read_bytes()[:3000])
    for name, part in {
        "photo.png": "has colours in it, so it is no mask",
        "photo.jpg": "is no PNG file",
        "text.png": "is no PNG file",
        "empty.png": "nothing is painted in it",
        "grey.png": "nothing is painted in it",
        "half.png": "cannot be read",
        "none.png": "there is no such mask",
    }.items():
        with pytest.raises(MaskError, match=part) as caught:
            read_mask(tmp_path / name)
        assert name in str(caught.value)
        assert "; " in str(caught.value)
        assert "\n" not in str(caught.value)
