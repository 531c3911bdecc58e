"""Sharpness on the matte: what it follows, what it must not follow, and which blur is which."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
import torch
from torch import Tensor
from torch.nn import functional

from models.color import SRGB_8BIT, Encoding, Matrix, rgb_to_planes, turn
from models.errors import ShapeError
from models.planes import pooled_planes
from models.pyramid import pool
from models.sharpness import Sharpness, detail, sharpness
from models.transfer import Transfer, encode
from models.upright import Upright

HEIGHT, WIDTH, FACTOR = 192, 256, 4
VIDEO = Encoding()


def cloth(seed: int = 0) -> Tensor:
    """A fine pattern of all directions, (1, 3, H, W), linear."""
    made = torch.Generator().manual_seed(seed)
    fine = torch.rand(1, 1, HEIGHT, WIDTH, generator=made)
    return (0.15 + 0.3 * fine).expand(1, 3, HEIGHT, WIDTH)


def blurred(x: Tensor, down: int, across: int) -> Tensor:
    """Means over ``down`` by ``across`` pixels, both odd."""
    kernel = torch.full((3, 1, down, across), 1.0 / (down * across))
    around = (across // 2, across // 2, down // 2, down // 2)
    return functional.conv2d(functional.pad(x, around, mode="replicate"), kernel, groups=3)


def disc(radius: float, cx: float = 0.5) -> Tensor:
    """Coverage of a round subject, (1, 1, H, W)."""
    y, x = torch.meshgrid(torch.arange(HEIGHT) + 0.5, torch.arange(WIDTH) + 0.5, indexing="ij")
    far = torch.hypot(y - HEIGHT / 2, x - cx * WIDTH)
    return (radius - far + 0.5).clamp(0, 1)[None, None]


def measured(
    front: Tensor,
    alpha: Tensor,
    gain: float = 1.0,
    noise: float = 0.0,
    encoding: Encoding = VIDEO,
    turns: int = 0,
) -> Sharpness:
    """The sharpness of a subject before a smooth screen."""
    screen = torch.tensor([0.05, 0.36, 0.08]).view(1, 3, 1, 1)
    shown = encode((alpha * front + (1 - alpha) * screen) * gain, encoding.transfer)
    made = torch.Generator().manual_seed(5)
    shown = shown + noise / 255 * torch.randn(shown.shape, generator=made)
    planes = rgb_to_planes(turn(shown.clamp(0, 1), -turns % 4).contiguous(), encoding)
    found = sharpness(detail(Upright(planes, encoding, turns), pool(alpha, FACTOR), FACTOR))
    assert found is not None
    return found


def test_it_falls_with_every_step_of_blur() -> None:
    alpha = disc(70)
    totals = [measured(blurred(cloth(), n, n), alpha).total for n in (1, 3, 5, 7, 9)]
    assert totals == sorted(totals, reverse=True)
    assert totals[1] < 0.5 * totals[0]


@pytest.mark.parametrize("stops", [-2.0, -1.0, 0.7])
def test_brightness_does_not_count(stops: float) -> None:
    """A power law turns a gain of light into one of codes; BT.709 is one but for its foot."""
    alpha, bright = disc(70), 2.0**stops
    encoding = replace(VIDEO, depth=10)
    plain, lit = (measured(cloth(), alpha, gain, encoding=encoding) for gain in (1.0, bright))
    assert lit.share_of(plain) == pytest.approx(1.0, abs=0.08)
    # Far less than what a blur takes.
    soft = measured(blurred(cloth(), 3, 3), alpha, bright, encoding=encoding)
    assert soft.share_of(plain) < 0.7


def test_the_size_of_the_subject_does_not_count() -> None:
    large, small = (measured(cloth(), disc(r)) for r in (80, 35))
    assert small.share_of(large) == pytest.approx(1.0, abs=0.05)


def test_the_outline_does_not_count() -> None:
    """A plain subject has no detail of its own, however steep its edge before the screen."""
    plain = torch.full((1, 3, HEIGHT, WIDTH), 0.3)
    assert measured(plain, disc(70)).share_of(measured(cloth(), disc(70))) < 0.02


def test_noise_is_no_detail() -> None:
    alpha, soft = disc(70), blurred(cloth(), 9, 9)
    clean = measured(soft, alpha)
    assert measured(soft, alpha, noise=2.0).share_of(clean) < 1.35
    # Without taking the screen's noise off it would be more than the detail itself.
    noisy = measured(soft, torch.ones_like(alpha), noise=2.0)
    assert noisy.share_of(measured(soft, torch.ones_like(alpha))) > 1.6


def test_a_movement_is_told_from_defocus() -> None:
    alpha = disc(70)
    sharp = measured(cloth(), alpha)
    aside, down = (measured(blurred(cloth(), *b), alpha) for b in ((1, 7), (7, 1)))
    defocused = measured(blurred(cloth(), 3, 3), alpha)
    assert min(aside.direction_of(sharp), down.direction_of(sharp)) > 1.8
    assert defocused.direction_of(sharp) < 1.3
    row, column, _, _ = (a / b for a, b in zip(aside.along, sharp.along, strict=True))
    assert row < column / 3, "what runs along rows is lost along rows"


def test_a_diagonal_movement_is_one_too() -> None:
    alpha = disc(70)
    kernel = torch.eye(7).expand(3, 1, 7, 7) / 7
    slant = functional.conv2d(
        functional.pad(cloth(), (3, 3, 3, 3), mode="replicate"), kernel, groups=3
    )
    found = measured(slant, alpha)
    _, _, falling, rising = found.along
    assert falling < rising / 2
    assert found.direction_of(measured(cloth(), alpha)) > 1.6


@pytest.mark.parametrize("turns", [1, 2, 3])
def test_a_turned_frame_is_measured_upright(turns: int) -> None:
    front, alpha = blurred(cloth(), 1, 7), disc(60, 0.4)
    encoding = replace(VIDEO, depth=10)
    lies, stands = (measured(front, alpha, encoding=encoding, turns=t) for t in (turns, 0))
    for got, want in zip(lies.along, stands.along, strict=True):
        assert got == pytest.approx(want, rel=0.03)


@pytest.mark.parametrize("encoding", [replace(VIDEO, depth=10), SRGB_8BIT], ids=["10 bit", "RGB"])
def test_other_codings_say_the_same(encoding: Encoding) -> None:
    alpha = disc(70)
    sharp, soft = (measured(x, alpha, encoding=encoding) for x in (cloth(), blurred(cloth(), 3, 3)))
    want = measured(blurred(cloth(), 3, 3), alpha).share_of(measured(cloth(), alpha))
    assert soft.share_of(sharp) == pytest.approx(want, rel=0.1)


def test_it_is_the_modified_laplacian() -> None:
    """The formula of the module's source on a wave, of which it is known in closed form.

    The second difference of sin(w x) is -4 sin(w / 2)^2 sin(w x), whose mean square is half of the
    squared factor; along a diagonal of a wave that runs along rows it is the same.
    """
    x = torch.arange(WIDTH, dtype=torch.float64)
    wave = 0.5 + 0.2 * torch.sin(0.9 * x)
    codes = (wave * 1023).round().to(torch.int32).expand(HEIGHT, WIDTH)
    encoding = Encoding(Matrix.RGB, SRGB_8BIT.range, Transfer.SRGB, SRGB_8BIT.siting, 10)
    frame = Upright((codes, codes, codes), encoding, 0)
    alpha = pool(torch.ones(1, 1, HEIGHT, WIDTH), FACTOR)
    found = sharpness(detail(frame, alpha, FACTOR))
    assert found is not None
    # To the middle luma belongs what makes the sRGB curve a power of light (IEC 61966-2-1).
    want = 0.5 * (0.2 * 4 * math.sin(0.45) ** 2) ** 2 / (0.5 + 0.055) ** 2
    row, column, falling, rising = found.along
    assert (row, falling, rising) == pytest.approx((want, want, want), rel=0.02)
    assert column < want / 50


def test_nobody_is_no_sharpness() -> None:
    planes = rgb_to_planes(cloth(), VIDEO)
    frame = Upright(planes, VIDEO, 0)
    empty = torch.zeros(1, 1, HEIGHT // FACTOR, WIDTH // FACTOR)
    assert sharpness(detail(frame, empty, FACTOR)) is None
    with pytest.raises(ShapeError, match="detail: got a matte"):
        detail(frame, empty[..., :-1], FACTOR)


def test_a_large_frame_is_measured_as_finely_as_a_print_needs() -> None:
    """Twice the pixels of the same picture: nothing finer is asked for than the working size."""
    made = torch.Generator().manual_seed(1)
    fine = (torch.rand(600, 2400, generator=made) * 200 + 20).to(torch.uint8)
    half = torch.full((300, 1200), 128, dtype=torch.uint8)
    large = Upright((fine, half, half), VIDEO, 0)
    luma, cb, cr = (p.round().to(torch.uint8) for p in pooled_planes(large.planes, 2))
    small = Upright((luma, cb, cr), VIDEO, 0)
    alpha = torch.ones(1, 1, 75, 300)
    first, second = sharpness(detail(large, alpha, 8)), sharpness(detail(small, alpha, 4))
    assert first is not None
    assert second is not None
    assert first.share_of(second) == pytest.approx(1.0, abs=0.02)
