"""Unmixing and spill.

Sources: Smith and Blinn, "Blue Screen Matting", SIGGRAPH 1996 (the spill limit min(G, max(R, B)));
ITU-R BT.709-6 (luminance). The mean of R and B as a limit is common practice.
"""

from __future__ import annotations

import pytest
import torch
from torch import Tensor

from models.despill import despill, unmix
from models.screen import Hue
from tests.models.rendered import BLUE, GREEN, GREY, PALE_YELLOW, SKIN, colour

# Luminance of linear Rec.709: ITU-R BT.709-6.
LUMA = torch.tensor([0.2126, 0.7152, 0.0722]).view(1, 3, 1, 1)
BACKS = {Hue.GREEN: GREEN, Hue.BLUE: BLUE}


def luminance(x: Tensor) -> Tensor:
    return (x * LUMA).sum(1, keepdim=True)


def colours(seed: int = 6) -> Tensor:
    """Colours between .2 and .6, of which some are greener or bluer than any spill."""
    return torch.rand(1, 3, 40, 50, generator=torch.Generator().manual_seed(seed)) * 0.4 + 0.2


def back_of(hue: Hue, like: Tensor) -> Tensor:
    return colour(BACKS[hue]).expand_as(like)


def keys(value: float, like: Tensor) -> Tensor:
    return torch.full_like(like[:, 0:1], value)


def others(rgb: Tensor, hue: Hue) -> tuple[Tensor, Tensor]:
    return rgb[:, 0:1], rgb[:, 3 - hue.value : 4 - hue.value]


def excess(rgb: Tensor, hue: Hue, own_key: float) -> Tensor:
    """What stands above the lower of both limits, with the subject's own lift over the mean."""
    one, two = others(rgb, hue)
    limit = torch.minimum(torch.maximum(one, two), (one + two) * (0.5 + own_key))
    return rgb[:, hue.value : hue.value + 1] - limit


@pytest.mark.parametrize("hue", list(Hue))
@pytest.mark.parametrize("own_key", [0.0, 0.1, 0.5])
def test_the_excess_is_gone(hue: Hue, own_key: float) -> None:
    front = colours()
    back = back_of(hue, front)
    got = despill(front, back, keys(own_key, front), hue, 1.0)
    before, after = excess(front, hue, own_key), excess(got, hue, own_key)
    within = before < excess(back, hue, own_key)
    assert float(before[within].max()) > 0.2
    # Between the two limits the sum is not straight: the screen's R and B differ by .03 or .05.
    assert float(after[within].max()) < (0.03 if own_key == 0.1 else 1e-5)
    assert float(after[within].mean()) < 1e-3
    # Greener than the screen itself is not spill alone: no more than the screen's own goes.
    assert bool((after[~within] < before[~within]).all())


@pytest.mark.parametrize("hue", list(Hue))
def test_the_spill_limits_are_the_two_usual_ones(hue: Hue) -> None:
    """G' = min(G, max(R, B)) where the own lift is high, min(G, (R + B) / 2) where it is none."""
    back = colour((0.0, 1.0, 0.0) if hue is Hue.GREEN else (0.0, 0.0, 1.0))
    front = colours()
    one, two = others(front, hue)
    key = front[:, hue.value : hue.value + 1]
    for own_key, limit in ((0.5, torch.maximum(one, two)), (0.0, (one + two) / 2)):
        got = despill(front, back.expand_as(front), keys(own_key, front), hue, 1.0)
        grey = got[:, 0:1] - one  # what came back as neutral light
        now = got[:, hue.value : hue.value + 1] - grey
        torch.testing.assert_close(now, torch.minimum(key, limit), atol=1e-5, rtol=0)


@pytest.mark.parametrize("hue", list(Hue))
@pytest.mark.parametrize("own_key", [0.0, 0.2, 0.5])
def test_colours_without_excess_are_left_alone(hue: Hue, own_key: float) -> None:
    front = colours()
    got = despill(front, back_of(hue, front), keys(own_key, front), hue, 1.0)
    plain = (excess(front, hue, own_key) <= -1e-6).expand_as(front)
    assert 0.3 < float(plain.float().mean()) < 0.9
    assert torch.equal(got[plain], front[plain])


@pytest.mark.parametrize("front", [GREY, SKIN, PALE_YELLOW, (0.0, 0.0, 0.0), (1.0, 1.0, 1.0)])
def test_neutral_skin_and_yellow_are_untouched(front: tuple[float, float, float]) -> None:
    """Yellow cloth stands above the mean of R and B by itself: that is its own."""
    one = colour(front)
    own = max(0.0, float(one[0, 1]) / max(float(one[0, 0] + one[0, 2]), 1e-3) - 0.5)
    got = despill(one, colour(GREEN), keys(own + 1e-6, one), Hue.GREEN, 1.0)
    torch.testing.assert_close(got, one, atol=2e-6, rtol=0)


@pytest.mark.parametrize("hue", list(Hue))
def test_no_amount_is_the_identity(hue: Hue) -> None:
    front = colours()
    assert torch.equal(despill(front, back_of(hue, front), keys(0, front), hue, 0.0), front)


@pytest.mark.parametrize("hue", list(Hue))
@pytest.mark.parametrize("own_key", [0.0, 0.5])
@pytest.mark.parametrize("share", [0.05, 0.1, 0.3])
@pytest.mark.parametrize("plain", [GREY, (0.1, 0.1, 0.1), (0.6, 0.6, 0.6)])
def test_a_neutral_surface_under_the_screens_light_is_neutral_again(
    plain: tuple[float, float, float], share: float, own_key: float, hue: Hue
) -> None:
    """What was added is the screen's colour; what comes back is as bright, less a tenth of it."""
    back = colour(BACKS[hue])
    lit = colour(plain) + share * back
    got = despill(lit, back, keys(own_key, lit), hue, 1.0)
    assert float((got.amax(1) - got.amin(1)).max()) < 1e-5
    lost = luminance(lit) - luminance(got)
    assert float(lost) == pytest.approx(0.1 * share * float(luminance(back)), abs=1e-6)


@pytest.mark.parametrize("hue", list(Hue))
@pytest.mark.parametrize("own_key", [0.0, 0.5])
def test_luminance_is_restored_but_for_a_tenth_of_the_spill(hue: Hue, own_key: float) -> None:
    front = colours()
    back = back_of(hue, front)
    got = despill(front, back, keys(own_key, front), hue, 1.0)
    share = (excess(front, hue, own_key) / excess(back, hue, own_key)).clamp(0, 1)
    inside = (got > 0).all(1, keepdim=True) & (got < 1).all(1, keepdim=True)
    want = luminance(front) - 0.1 * share * luminance(back)
    assert float(inside.float().mean()) > 0.8
    torch.testing.assert_close(luminance(got)[inside], want[inside], atol=1e-5, rtol=0)


@pytest.mark.parametrize("hue", list(Hue))
def test_the_amount_mixes(hue: Hue) -> None:
    front = colours()
    back, own = back_of(hue, front), keys(0.1, front)
    all_of_it, half = (despill(front, back, own, hue, a) for a in (1.0, 0.5))
    inside = ((all_of_it > 0) & (all_of_it < 1)).all(1, keepdim=True).expand_as(front)
    torch.testing.assert_close(
        half[inside], ((front + all_of_it) / 2)[inside], atol=1e-6, rtol=1e-5
    )


@pytest.mark.parametrize("hue", list(Hue))
def test_the_luminance_that_comes_back_is_an_amount_of_its_own(hue: Hue) -> None:
    """A grey surface under some of the screen's light: 0 leaves what was there before it, darkened
    by what the screen took part in; 1 adds nine tenths of the light's luminance, as grey."""
    plain = colour((0.3, 0.3, 0.3)).expand(1, 3, 4, 4)
    back = back_of(hue, plain)
    lit = plain + 0.2 * back
    usual, none, half = (
        despill(lit, back, keys(0, lit), hue, 1.0, amount) for amount in (1.0, 0.0, 0.5)
    )
    assert torch.equal(usual, despill(lit, back, keys(0, lit), hue, 1.0))
    torch.testing.assert_close(half, (usual + none) / 2)
    added = usual - none
    torch.testing.assert_close(added, added[:, 0:1].expand_as(added))
    # Luminance of linear Rec.709 (ITU-R BT.709-6).
    luma = (back * torch.tensor([0.2126, 0.7152, 0.0722]).view(1, 3, 1, 1)).sum(1, keepdim=True)
    share = (lit - none)[:, hue.value] / back[:, hue.value]
    torch.testing.assert_close(added[:, 0], share * 0.9 * luma[:, 0], atol=1e-5, rtol=1e-4)


def test_the_result_is_a_colour() -> None:
    front = torch.cat([colours(), torch.zeros(1, 3, 40, 1), torch.ones(1, 3, 40, 1)], -1)
    for back in (back_of(Hue.GREEN, front), torch.zeros_like(front), torch.ones_like(front)):
        got = despill(front, back, keys(0, front), Hue.GREEN, 1.0)
        assert bool(torch.isfinite(got).all())
        assert float(got.min()) >= 0
        assert float(got.max()) <= 1


def line(n: int, value: tuple[float, float, float]) -> Tensor:
    return colour(value)[..., 0].expand(1, 3, n)


def test_unmixing_is_exact_where_the_spread_colour_is_right() -> None:
    alpha = torch.linspace(0.0, 1, 101).view(1, 1, 101)
    front, back = line(101, SKIN), line(101, GREEN)
    rgb = alpha * front + (1 - alpha) * back
    torch.testing.assert_close(unmix(rgb, alpha, back, front), front, atol=1e-5, rtol=0)


def test_unmixing_goes_from_the_spread_colour_to_the_pixels_own() -> None:
    alpha = torch.tensor([0.0, 0.05, 0.2, 0.5, 0.9, 1.0]).view(1, 1, 6)
    front, back, guess = line(6, SKIN), line(6, GREEN), line(6, GREY)
    rgb = alpha * front + (1 - alpha) * back
    off = (unmix(rgb, alpha, back, guess) - front).abs().mean(1).flatten()
    assert bool((off.diff() <= 1e-6).all())
    # Error by the formula: doubt / (alpha^2 + doubt), doubt = .05 (1 - alpha).
    a = alpha.flatten()
    doubt = 0.05 * (1 - a)
    want = doubt / (a * a + doubt) * float((colour(GREY) - colour(SKIN)).abs().mean())
    torch.testing.assert_close(off, want, atol=1e-5, rtol=0)


def test_unmixing_gives_no_negative_light() -> None:
    alpha = torch.full((1, 1, 4), 0.3)
    got = unmix(line(4, (0.0, 0.0, 0.0)), alpha, line(4, GREEN), line(4, (0.0, 0.0, 0.0)))
    assert float(got.min()) == 0


def test_inputs_stay_as_they_were() -> None:
    front = colours()
    back = back_of(Hue.GREEN, front).clone()
    alpha = torch.rand(1, 1, 2000)
    before = front.clone(), back.clone(), alpha.clone()
    for amount in (0.0, 0.7):
        despill(front, back, keys(0.1, front), Hue.GREEN, amount).add_(1)
    unmix(front.flatten(2), alpha, back.flatten(2), front.flatten(2)).add_(1)
    for now, then in zip((front, back, alpha), before, strict=True):
        assert torch.equal(now, then)
