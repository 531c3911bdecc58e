"""The command cut with settings, a mask and the shadow layer."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import torch
from PIL import Image

from models.color import SRGB_8BIT
from models.keyer import Grade, Keyer, KeySettings
from models.transfer import Transfer, decode
from tests.models.rendered import (
    GREEN,
    HEIGHT,
    SKIN,
    WIDTH,
    Shown,
    colour,
    ellipse,
    person,
    pooled,
    rgb_planes,
    shown,
    uneven,
)
from tests.stream.test_cut import KINDS, cut, names, read, sentences, still

LEFT = 1 - 0.5 * pooled(ellipse(112, 60, 40, 34, 14.0))


def shadowed() -> Shown:
    return shown(person(20.0), colour(SKIN), uneven(GREEN) * LEFT)


def mask(path: Path, size: tuple[int, int] = (HEIGHT, WIDTH)) -> Path:
    paint = np.zeros((*size, 4), np.uint8)
    paint[10:40, 10:60] = 255
    paint[60:90, 120:160, 3] = 255
    Image.fromarray(paint).save(path)
    return path


def test_settings_reach_the_keyer(tmp_path: Path) -> None:
    path = still(tmp_path / "a.png")
    words = "--screen green --black-point 0.1 --white-point 0.8 --despill 0.4 --choke -1.5"
    assert cut(path, *words.split(), "--despill-luminance", 0.2) == 0
    settings = KeySettings("green", 0.1, 0.8, 0.4, 0.2, -1.5)
    want = Keyer(Grade.FINAL, settings).cut(_planes(path), SRGB_8BIT)
    matte = read(tmp_path / "a.matte.png")
    assert np.abs(matte - want.alpha[0, 0].numpy() * 65535.0).max() < 0.51
    usual = Keyer().cut(_planes(path), SRGB_8BIT).alpha[0, 0].numpy()
    assert np.abs(matte / 65535 - usual).max() > 0.2


def _planes(path: Path) -> tuple[torch.Tensor, torch.Tensor, torch.Tensor]:
    blue, green, red = (torch.from_numpy(read(path)[..., c].copy()) for c in range(3))
    return red, green, blue


def test_a_mask_decides(tmp_path: Path) -> None:
    path = still(tmp_path / "a.png")
    assert cut(path, "--mask", mask(tmp_path / "m.png")) == 0
    matte = read(tmp_path / "a.matte.png")
    assert matte[11:39, 11:59].min() == 65535
    assert matte[61:89, 121:159].max() == 0
    assert matte[50:, :60].mean() < 500
    assert names(tmp_path) == sorted(["a.png", "m.png", *(f"a.{k}.png" for k in KINDS)])


def test_a_mask_fits_the_upright_picture(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    lying = still(tmp_path / "lying.png", turns=3)
    painted = mask(tmp_path / "m.png")
    assert cut(lying, "--turn", 90, "--mask", painted) == 0
    assert read(tmp_path / "lying.matte.png")[11:39, 11:59].min() == 65535
    assert cut(lying, "--mask", painted, "--out", tmp_path / "out") == 2
    (sentence,) = sentences(capsys)
    assert "mask: it is 240x160 and the frame is 160x240" in sentence
    assert names(tmp_path / "out") == []


def test_the_shadow_layer_is_a_file(tmp_path: Path) -> None:
    path = still(tmp_path / "a.png", shadowed())
    plate = still(tmp_path / "plate.png", shadowed().over(uneven(GREEN)))
    Image.fromarray(torch.stack(rgb_planes(uneven(GREEN)), -1).numpy()).save(plate)
    assert cut(path, "--plate", plate, "--out", tmp_path / "without") == 0
    assert "a.shadow.png" not in names(tmp_path / "without")
    out = tmp_path / "out"
    assert cut(path, "--plate", plate, "--shadow", "keep", "--out", out) == 0
    layer = read(out / "a.shadow.png")
    assert (layer.dtype.name, layer.shape) == ("uint16", (HEIGHT, WIDTH))
    left = decode(torch.from_numpy(layer.astype(np.float32) / 65535), Transfer.SRGB)
    bare = shadowed().alpha[0, 0] < 0.001
    assert float((left - LEFT[0, 0]).abs()[bare].mean()) < 0.015
    want = Keyer(settings=replace(KeySettings(), shadow="keep"))
    want.set_plate(_planes(plate), SRGB_8BIT)
    found = want.cut(_planes(path), SRGB_8BIT)
    assert found.shadow is not None
    assert float((left - found.shadow[0, 0]).abs().max()) < 1e-4
    # What cut wrote is not cut in its turn.
    assert cut(out / "a.shadow.png") == 0
    assert names(out) == sorted(f"a.{k}.png" for k in (*KINDS, "shadow"))


@pytest.mark.parametrize(
    ("words", "part"),
    [
        (
            ["--despill", "2"],
            "despill 2.0, despill_luminance 1.0, light_wrap 0.0; they must lie between 0 and 1",
        ),
        (["--choke", "99"], "choke is 99.0; it must be a number of pixels from -10 to 10"),
        (["--black-point", "0.99"], "black below white"),
        (["--mask", "none.png"], "none.png: there is no such mask"),
    ],
)
def test_mistakes_are_one_sentence_and_nothing_is_written(
    words: list[str], part: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = still(tmp_path / "a.png")
    assert cut(path, *words) == 2
    (sentence,) = sentences(capsys)
    assert part in sentence
    assert names(tmp_path) == ["a.png"]
