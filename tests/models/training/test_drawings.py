"""Drawn things are of the coverage and colour that they say, with the screen's light on them."""

from __future__ import annotations

import numpy as np
import pytest

from models.training import drawings
from models.training.samples import mixed
from models.training.subjects import Picture, Subject, over

SIZE = (120, 160)
GREEN = np.broadcast_to(np.array([0.03, 0.4, 0.07], np.float32), (*SIZE, 3))
WEIGHTS = np.array([0.2126, 0.7152, 0.0722], np.float32)
"""Of luminance: ITU-R BT.709-6."""


def someone(cover: float = 1) -> Subject:
    y, x = np.mgrid[0 : SIZE[0], 0 : SIZE[1]]
    alpha = (cover * np.clip(30 - np.hypot(y - 60, x - 80), 0, 1)).astype(np.float32)
    color = np.full((*SIZE, 3), 0.3, np.float32)
    return Subject(alpha, color, color)


def test_a_veil_is_sheer_lies_partly_on_the_subject_and_lets_the_screen_s_light_through() -> None:
    s, greener = someone(), 0
    for seed in range(12):
        veil = drawings.veil(s, GREEN, np.random.default_rng(seed))
        assert 0.03 <= veil.alpha.max() <= 0.97
        assert (veil.alpha[s.alpha == 1] > 0).any()
        light = veil.lit - veil.neutral
        # What is added is the screen's light in place of grey of its luminance: the more, the
        # whiter the cloth.
        colored = GREEN[0, 0] - GREEN[0, 0] @ WEIGHTS
        assert np.allclose(light, colored * (light[..., 1:2] / colored[1]), atol=1e-4)
        assert light[..., 1].min() >= -1e-6
        assert bool((light[..., 1] <= 1.3 * colored[1] * veil.neutral.mean(2) + 1e-4).all())
        greener += light[..., 1].max() > 0.0025
        seen = mixed(over(veil, s), GREEN)
        a = veil.alpha[..., None]
        assert np.allclose(seen, a * veil.lit + (1 - a) * mixed(s, GREEN), atol=1e-5)
    assert greener > 8


def test_some_veils_are_of_the_garment_s_color() -> None:
    s = someone()
    s.neutral[:] = (0.6, 0.1, 0.05)
    hues = [drawings.veil(s, GREEN, np.random.default_rng(k)).neutral[60, 60] for k in range(40)]
    # A quarter of the others is of any colour, the rest grey.
    assert 8 <= sum(bool(h[0] > 2.5 * h[1] > 2.5 * h[2]) for h in hues) <= 24


def test_an_even_veil_and_a_folded_one_both_come() -> None:
    spread = []
    for seed in range(16):
        veil = drawings.veil(someone(), GREEN, np.random.default_rng(seed))
        inside = veil.alpha[veil.alpha > 0.04]
        spread.append(float(np.percentile(inside, 80) - np.percentile(inside, 20)))
    assert min(spread) < 1e-4
    assert max(spread) > 0.05


def test_where_sheets_cross_each_hides_its_share_of_the_rest() -> None:
    sheer = np.full(SIZE, 0.3, np.float32)
    hems = [np.array([[x, 10], [x + 50, 10], [x + 50, 90], [x, 90]], float) for x in (10, 40, 50)]
    got = drawings.sheets(sheer, hems)
    for column, layers in ((5, 0), (25, 1), (45, 2), (55, 3), (80, 2), (95, 1)):
        assert abs(got[50, column] - (1 - 0.7**layers)) < 1e-6
    assert not got[:8].any()


def test_some_veils_are_of_sheets_that_cross_and_some_of_one() -> None:
    """Even cloth: the alpha that most pixels have is one layer's, others are two's or more."""
    crossed = 0
    for seed in range(40):
        a = drawings.veil(someone(), GREEN, np.random.default_rng(seed)).alpha
        there = np.round(a[a > 0.04], 3)
        values, count = np.unique(there, return_counts=True)
        often = values[count > 0.02 * len(there)]
        layers = np.log1p(-often) / np.log1p(-often[0]) if len(often) else often
        whole = np.abs(layers - np.round(layers)).max(initial=0) < 0.02
        crossed += bool(1 < len(often) < 5 and whole and often[-1] < 0.96)
    assert 3 <= crossed <= 25


@pytest.mark.parametrize("cover", [0.0, 1.0])
def test_strands_are_thin_and_cross_the_rim(cover: float) -> None:
    s = someone(cover)
    for seed in range(12):
        got = drawings.strands(s, GREEN, np.random.default_rng(seed))
        assert 0 < (got.alpha > 0.02).mean() < 0.5
        assert got.alpha.max() <= 1
        partial = (got.alpha > 0.02) & (got.alpha < 0.98)
        assert partial.sum() > 0.2 * (got.alpha > 0.02).sum()
        here = got.alpha > 0.3
        assert np.isfinite(got.neutral).all()
        assert ((got.lit - got.neutral)[here, 1] >= 0).all()
        assert np.abs((got.lit - got.neutral) @ WEIGHTS).max() < 1e-5


def test_any_color_is_light_of_at_most_1() -> None:
    colors: list[Picture] = [drawings.any_color(np.random.default_rng(s)) for s in range(40)]
    assert all(c.shape == (3,) and 0 <= c.min() <= c.max() <= 1 for c in colors)
    assert np.std(colors) > 0.1
