"""A blurred limb that passed for solid gets one smooth alpha; hair, edges and specks do not."""

from __future__ import annotations

from collections.abc import Callable
from itertools import pairwise

import pytest
import torch
from torch import Tensor

from models.basis import ASKED, BACK, CHANNELS, FRONT, NOISE, OWN, RIM, ROUGH, Basis
from models.blurred import DETAIL, SHARE, TAKEN, blurred_solid
from models.features import channel_order
from models.matte import step
from models.screen import Hue

SIZE = (160, 1280)
SPOT = (..., slice(60, 100), slice(600, 680))
MIDDLE = 0, 0, 80, 640
SKIN = (0.5, 0.3, 0.2)
SCREENS = {Hue.GREEN: (0.1, 0.4, 0.15), Hue.BLUE: (0.08, 0.15, 0.45)}


def color(rgb: tuple[float, float, float]) -> Tensor:
    return torch.tensor(rgb).view(1, 3, 1, 1)


def arm(hue: Hue = Hue.GREEN) -> tuple[Basis, Tensor]:
    """A smear across the frame whose middle passed for solid: what is seen, and its truth."""
    across = torch.arange(SIZE[0], dtype=torch.float32)
    truth = (0.6 - (across - 80).abs() / 80).clamp(0, 1).view(1, 1, -1, 1).expand(1, 1, *SIZE)
    x, order = torch.zeros(1, CHANNELS, *SIZE), channel_order(hue)
    x[:, OWN : OWN + 1], x[:, ASKED] = truth, 1
    x[:, ROUGH : ROUGH + 1] = truth + 0.2
    x[SPOT[0], OWN, SPOT[1], SPOT[2]], x[SPOT[0], ASKED, SPOT[1], SPOT[2]] = 1, RIM
    back, key = color(SCREENS[hue]), SCREENS[hue][hue.value]
    x[:, FRONT] = (color(SKIN)[:, order] / key).sqrt()
    x[:, BACK] = (back[:, order[1:]] / key).sqrt()
    whole = slice(0, SIZE[0]), slice(0, SIZE[1])
    shown = truth * color(SKIN) + (1 - truth) * back
    return Basis(x, shown, torch.full((1, 1, *SIZE), key), hue, SIZE, *whole), truth


def missing(basis: Basis, truth: Tensor) -> Tensor:
    return truth - basis.channels[:, OWN : OWN + 1]


def everywhere(value: float) -> Tensor:
    return torch.full((1, 1, *SIZE), value)


def sure(basis: Basis, more: Tensor) -> Tensor:
    found = blurred_solid(basis, more, everywhere(1.0))
    assert found is not None
    return found[:, 0:1]


@pytest.mark.parametrize("hue", list(SCREENS))
def test_what_passed_for_solid_is_as_thin_as_the_network_says_without_a_border(hue: Hue) -> None:
    basis, truth = arm(hue)
    found = blurred_solid(basis, missing(basis, truth), everywhere(1.0))
    assert found is not None
    how, alpha, fg = found[:, 0:1], found[:, 1:2], found[:, 2:]
    assert float(how[..., 65:95, 605:675].min()) > 0.99
    assert float(how[..., :30, :].max()) == float(how[..., :500].max()) == 0
    assert float((alpha - truth)[SPOT].abs().max()) < 0.03
    # Over the spot's border it goes on as beside it: solid to partial would be a step of .4.
    steps = torch.lerp(basis.channels[:, OWN : OWN + 1], alpha, how).diff(dim=-1).abs()
    assert float(steps.max()) < 0.08
    torch.testing.assert_close(
        fg[..., 80, 640], color(SKIN)[..., 0, 0].expand(1, 3), atol=0.03, rtol=0
    )


@pytest.mark.parametrize("at", [-0.1, 0.1, 0.2, 1.0])
def test_the_more_is_taken_the_surer_is_blur(at: float) -> None:
    basis, _ = arm()
    low, high = TAKEN
    taken = low + at * (high - low)
    if at < 0:
        assert blurred_solid(basis, everywhere(-taken), everywhere(1.0)) is None
        return
    want = min(1.0, float(step(torch.tensor(taken), low, high)) / SHARE)
    assert float(sure(basis, everywhere(-taken))[MIDDLE]) == pytest.approx(want, abs=1e-3)


def test_from_frame_to_frame_a_little_more_changes_little() -> None:
    """A change of .02 of what is taken: alpha of a still wholly solid pixel."""
    basis, _ = arm()
    alphas = []
    for taken in torch.arange(0.14, 0.44, 0.02).tolist():
        found = blurred_solid(basis, everywhere(-taken), everywhere(1.0))
        how, alpha = (0.0, 1.0) if found is None else (float(x) for x in found[0, :2, 80, 640])
        alphas.append(1 + how * (alpha - 1))
    assert max(a - b for a, b in pairwise(alphas)) < 0.1


@pytest.mark.parametrize(
    ("deviation", "noise", "blurs"),
    [(0.9 * DETAIL[0], 0, True), (1.1 * DETAIL[1], 0, False), (1.1 * DETAIL[1], 0.15, True)],
)
def test_where_there_is_detail_nothing_is_smoothed_but_noise_is_none(
    deviation: float, noise: float, blurs: bool
) -> None:
    basis, truth = arm()
    y, across = torch.meshgrid(*(torch.arange(n) for n in SIZE), indexing="ij")
    basis.channels[:, ROUGH] = 0.6 + deviation * (1 - 2 * ((y + across) % 2))
    basis.channels[:, NOISE] = noise
    assert float(sure(basis, missing(basis, truth))[MIDDLE]) == pytest.approx(
        float(blurs), abs=0.02
    )


def test_deeper_than_the_rim_nothing_is_detail() -> None:
    basis, truth = arm()
    deep = (..., slice(60, 100), slice(640, 680))
    basis.channels[deep[0], ROUGH, deep[1], deep[2]] = 1  # as `basis_of` has it
    basis.channels[deep[0], ASKED, deep[1], deep[2]] = 0
    assert float(sure(basis, missing(basis, truth))[0, 0, 80, 605:640].min()) > 0.9


@pytest.mark.parametrize("deep", [False, True], ids=["rim", "deep"])
def test_a_print_on_a_garment_is_detail(deep: bool) -> None:
    """Black and white stripes: neither is more like the screen."""
    basis, truth = arm()
    basis.channels[:, ROUGH] = 1
    stripes = torch.where(torch.arange(SIZE[1]) % 8 < 4, 0.02, 0.7).expand(1, 3, *SIZE)
    part = slice(640, 680) if deep else slice(0, None)
    basis.shown[..., part] = stripes[..., part]
    if deep:
        basis.channels[:, ASKED, 60:100, part] = 0
    assert float(sure(basis, missing(basis, truth))[0, 0, 80, 645:675].max()) < 0.05


def test_an_outline_stays_sharp_and_the_screen_beyond_it_is_not_filled() -> None:
    basis, truth = arm()
    more, unlike = missing(basis, truth), everywhere(1.0)
    basis.channels[:, ROUGH, :, 680:] = basis.channels[:, OWN, :, 680:] = 0
    basis.channels[:, ROUGH, :, :680] = basis.channels[:, OWN, :, :680] = 1
    basis.shown[..., 680:] = color(SCREENS[Hue.GREEN])
    more[..., 668:] = 0  # as the network sees the outline
    unlike[..., 680:] = 0
    found = blurred_solid(basis, more, unlike)
    assert found is not None
    assert float(found[:, 0, :, 680:].max()) == 0
    alpha = torch.lerp(basis.channels[:, OWN], found[:, 1], found[:, 0])
    assert float(alpha[:, 80, 676:680].min()) > 0.97


@pytest.mark.parametrize(
    "marked",
    [
        lambda basis, more: more[..., 79:82, 639:642].fill_(-0.5),
        lambda basis, more: more[..., 80, 600:680].fill_(-0.5),
    ],
    ids=["speck", "line"],
)
def test_a_speck_or_a_line_is_hardly_blur(marked: Callable[[Basis, Tensor], Tensor]) -> None:
    basis, _ = arm()
    more = everywhere(0.0)
    marked(basis, more)
    assert float(sure(basis, more).max()) < 0.3


def test_what_is_taken_elsewhere_does_not_count() -> None:
    basis, _ = arm()
    basis.channels[:, ASKED] = 1
    assert blurred_solid(basis, everywhere(-0.5), everywhere(1.0)) is None
