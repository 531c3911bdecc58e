"""The same arithmetic on any device and in any dtype: pytest --device cuda --dtype float16."""

from __future__ import annotations

from collections.abc import Callable

import pytest
import torch
from torch import Tensor

from models.color import SRGB_8BIT
from models.composite import Overlay, Scene, over
from models.figure import Figure
from models.keyer import Composite, Grade, Keyer, KeySettings
from models.mask import Mask
from models.resample import Placement
from models.transfer import Transfer, decode, encode

Close = Callable[[Tensor, Tensor], None]


def random(*shape: int) -> Tensor:
    return torch.rand(*shape, generator=torch.Generator().manual_seed(7), dtype=torch.float64)


def test_over_agrees_with_double_precision(
    device: torch.device, dtype: torch.dtype, assert_close: Close
) -> None:
    alpha, fg, back = random(2, 1, 9, 7), random(2, 3, 9, 7), random(1, 3, 9, 7).flip(2)
    fg = fg * alpha
    # Porter and Duff 1984, over with an opaque background: F + (1 - a) B, F premultiplied.
    want = fg + (1 - alpha) * back
    got = over(*(x.to(device, dtype) for x in (fg, alpha, back)))
    assert got.dtype == dtype
    assert got.device.type == device.type
    assert_close(got, want)


@pytest.mark.parametrize("transfer", list(Transfer))
def test_transfer_comes_back(
    transfer: Transfer, device: torch.device, dtype: torch.dtype, assert_close: Close
) -> None:
    codes = torch.linspace(0, 1, 256, dtype=torch.float64)
    got = encode(decode(codes.to(device, dtype), transfer), transfer)
    assert got.dtype == dtype
    assert_close(got, codes)


EVERYTHING = KeySettings(choke=0.5, shadow="keep", light_wrap=0.6)


def _composite(
    device: str | torch.device, grade: Grade, settings: KeySettings | None = None
) -> Composite:
    """A grey disc with a soft edge before an uneven green screen, into a plain picture.

    With settings also a shadow beside it and strokes over it.
    """
    y, x = torch.meshgrid(torch.arange(180.0), torch.arange(320.0), indexing="ij")
    inside = ((60 - torch.hypot(y - 95, x - 150)) / 6).clamp(0, 1)
    light = 1 - 0.15 * x / 320
    screen = torch.stack([0.05 * light, 0.35 * light, 0.08 * light])
    if settings:
        screen = screen * (1 - 0.4 * ((40 - torch.hypot(y - 110, x - 240)) / 20).clamp(0, 1))
    seen = inside * torch.tensor([0.4, 0.36, 0.33])[:, None, None] + (1 - inside) * screen
    r, g, b = (encode(seen, Transfer.SRGB) * 255).round().to(torch.uint8)
    below = torch.full((1, 3, 160, 240), 0.2, device=device)
    keyer = Keyer(grade, settings, device)
    if settings:
        strokes = torch.zeros(1, 2, 180, 320)
        strokes[:, 0, 20:60, 10:40] = strokes[:, 1, 80:100, 140:160] = 0.8
        keyer.set_mask(Mask(strokes))
    return keyer.composite((r, g, b), SRGB_8BIT, 0, Scene(below, ()), Placement(0.8, -8.0, 4.0))


def _agree(got: Composite, want: Composite) -> None:
    assert got.screen_found
    assert want.screen_found
    # chosen: 2 codes; sums over a picture come in another order on another device.
    difference = (got.picture.cpu().int() - want.picture.int()).abs()
    assert int(difference.max()) <= 2
    assert float((got.alpha.cpu() - want.alpha).abs().max()) < 4e-3


@pytest.mark.parametrize("settings", [None, EVERYTHING])
@pytest.mark.parametrize("grade", list(Grade))
def test_composite_agrees_with_the_processors(
    grade: Grade, settings: KeySettings | None, device: torch.device
) -> None:
    got = _composite(device, grade, settings)
    assert got.picture.device.type == device.type
    assert 0.1 < float(got.alpha.mean()) < 0.5
    _agree(got, _composite("cpu", grade, settings))


@pytest.mark.gpu
@pytest.mark.parametrize("grade", list(Grade))
def test_graphics_card_agrees_with_the_processor(grade: Grade) -> None:
    _agree(_composite("cuda", grade), _composite("cpu", grade))


@pytest.mark.gpu
@pytest.mark.parametrize("depth", [8, 16])
def test_a_figure_and_two_slots_are_the_same_on_a_gpu(depth: int) -> None:
    """Found, placed by what was found, with a shadow that runs out, between layers; both slots."""
    y, x = torch.meshgrid(torch.arange(180.0), torch.arange(320.0), indexing="ij")
    inside = ((60 - torch.hypot(y - 95, x - 150)) / 6).clamp(0, 1)
    screen = torch.tensor([0.05, 0.35, 0.08])[:, None, None]
    screen = screen * (1 - 0.4 * ((40 - torch.hypot(y - 110, x - 240)) / 20).clamp(0, 1))
    seen = inside * torch.tensor([0.4, 0.36, 0.33])[:, None, None] + (1 - inside) * screen
    r, g, b = (encode(seen, Transfer.SRGB) * 255).round().to(torch.uint8)

    def placing(figure: Figure | None) -> Placement:
        assert figure is not None
        return Placement(0.6, 30 - 0.6 * 320 * figure.left, 20 - 0.6 * 180 * figure.top)

    def made(device: str) -> tuple[Figure | None, Composite]:
        keyer = Keyer(Grade.FINAL, EVERYTHING, device)
        first = keyer.place((r, g, b), SRGB_8BIT, 0, placing, (160, 240))
        second = keyer.place((r, g, b), SRGB_8BIT, 0, Placement(0.4, 90, 60), (160, 240))
        steps = Overlay(gain=random(1, 3, 160, 240).float(), offset=torch.zeros(1, 3, 160, 240))
        below = torch.full((1, 3, 160, 240), 0.2)
        scene = Scene(below, (steps,), ((steps,),), (1, 0)).to(device)
        return first.figure, keyer.lay([first, second], scene, depth)

    (figure, got), (expected, want) = made("cuda"), made("cpu")
    assert figure == expected
    _agree(got, want)
