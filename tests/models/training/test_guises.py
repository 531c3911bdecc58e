"""What befalls a subject changes what it should and leaves the rest."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from models.training import guises, prints, subjects
from models.training.subjects import Subject
from tests.models.training.test_samples import write_subject


def test_mirroring_lights_what_is_solid_and_leaves_alpha(tmp_path: Path) -> None:
    write_subject(tmp_path)
    s: Subject = subjects.load(tmp_path, "t1")
    back = np.full((160, 120, 3), (0.03, 0.4, 0.07), np.float32)
    got = guises.mirroring(s, back, np.random.default_rng(1))
    assert np.array_equal(got.alpha, s.alpha)
    assert np.abs(got.lit - s.lit)[s.alpha > 0.99].max() > 0.05
    assert np.array_equal(got.lit[s.alpha == 0], s.lit[s.alpha == 0])


def test_what_mirrors_keeps_its_luminance_before_a_grey_screen(tmp_path: Path) -> None:
    """The weights are those of ITU-R BT.709-6."""
    write_subject(tmp_path)
    s = subjects.load(tmp_path, "t1")
    same = Subject(s.alpha, s.neutral, s.neutral)
    back = np.full((160, 120, 3), (0.03, 0.4, 0.07), np.float32)
    for seed in range(8):
        got = guises.mirroring(same, back, np.random.default_rng(seed))
        off = (got.lit - got.neutral) @ np.array([0.2126, 0.7152, 0.0722])
        assert np.abs(off).max() < 1e-5
        assert np.abs(got.lit - got.neutral).max() > 0.02


def test_dyeing_keeps_alpha_and_the_screen_s_light(tmp_path: Path) -> None:
    write_subject(tmp_path)
    s = subjects.load(tmp_path, "t1")
    changed = []
    for seed in range(12):
        got = guises.dyed(s, seed % 2 == 0, np.random.default_rng(seed))
        assert np.array_equal(got.alpha, s.alpha)
        assert np.allclose(got.lit - got.neutral, s.lit - s.neutral, atol=1e-5)
        assert got.neutral.min() >= 0
        changed.append(np.abs(got.neutral - s.neutral)[80:100, 50:70].mean())
    assert np.median(changed) > 0.05


def test_dyeing_leaves_another_hue_as_it_is(tmp_path: Path) -> None:
    write_subject(tmp_path)
    s = subjects.load(tmp_path, "t1")
    two = s.neutral.copy()
    two[:, :60] = (0.05, 0.1, 0.5)
    both = Subject(s.alpha, two, two)
    one_side = 0
    for seed in range(12):
        got = guises.dyed(both, False, np.random.default_rng(seed))
        off = np.abs(got.neutral - two)[90]
        # Beside the outline between both, the smoothed part reaches one pixel over.
        one_side += (off[:58].max() < 1e-5) != (off[62:].max() < 1e-5)
    assert one_side >= 2


def test_a_garment_takes_the_color_of_the_sheer_cloth(tmp_path: Path) -> None:
    write_subject(tmp_path)
    s = subjects.load(tmp_path, "t1")
    assert guises.matched(s, np.random.default_rng(0)) is s  # a soft edge is no cloth
    alpha, neutral = s.alpha.copy(), s.neutral.copy()
    alpha[10:40], neutral[10:40] = 0.4, (0.7, 0.72, 0.75)
    bride = Subject(alpha, neutral + (s.lit - s.neutral), neutral)
    for seed in range(8):
        got = guises.matched(bride, np.random.default_rng(seed))
        assert np.array_equal(got.alpha, alpha)
        assert np.allclose(got.lit - got.neutral, bride.lit - bride.neutral, atol=1e-5)
        color = got.neutral[90, 60]
        assert np.allclose(color / color.sum(), neutral[20, 60] / neutral[20, 60].sum(), atol=0.02)


@pytest.mark.parametrize("kind", prints.KINDS)
def test_a_print_varies_within_0_and_1_from_faint_to_strong(kind: str) -> None:
    spread = []
    for seed in range(12):
        got = prints.printed((96, 72), np.random.default_rng(seed), kind)
        assert got.shape == (96, 72, 3)
        assert 0 <= got.min() <= got.max() <= 1
        spread.append(got.std((0, 1)).max())
    assert min(spread) < 0.1 < max(spread)
    assert min(spread) > 0.001


def test_a_pattern_leaves_alpha_and_the_screen_s_light_and_prints_on_partial_pixels(
    tmp_path: Path,
) -> None:
    write_subject(tmp_path)
    s = subjects.load(tmp_path, "t1")
    partial, solid = (s.alpha > 0.1) & (s.alpha < 0.9), s.alpha == 1
    varied = []
    for seed in range(12):
        got = guises.patterned(s, np.random.default_rng(seed))
        assert np.array_equal(got.alpha, s.alpha)
        assert np.allclose(got.lit - got.neutral, s.lit - s.neutral, atol=1e-5)
        assert 0 <= got.neutral.min() <= got.neutral.max() <= max(1, s.neutral.max())
        assert got.lit.min() >= 0
        varied.append([got.neutral[part].std(0).max() for part in (solid, partial)])
    assert (np.median(varied, 0) > 0.02).all()
    hue = [guises.patterned(s, np.random.default_rng(k)).neutral[solid].mean(0) for k in range(12)]
    assert np.std([c / c.sum() for c in hue], 0).max() > 0.03


def test_a_pattern_takes_no_more_light_than_the_screen_leaves(tmp_path: Path) -> None:
    """Before a grey screen a subject has light of it in red that it lacks before a green one."""
    write_subject(tmp_path)
    s = subjects.load(tmp_path, "t1")
    redless = Subject(s.alpha, s.neutral * np.array([0.6, 1.1, 0.8], np.float32), s.neutral)
    for seed in range(12):
        got = guises.patterned(redless, np.random.default_rng(seed))
        assert got.lit.min() >= -1e-6
        assert np.allclose(got.lit - got.neutral, redless.lit - redless.neutral, atol=1e-5)


def test_nobody_solid_is_not_dyed(tmp_path: Path) -> None:
    write_subject(tmp_path)
    s = subjects.load(tmp_path, "t1")
    ghost = Subject(s.alpha * np.float32(0.5), s.lit, s.neutral)
    assert guises.dyed(ghost, False, np.random.default_rng(0)) is ghost


def test_blur_keeps_coverage_and_color(tmp_path: Path) -> None:
    write_subject(tmp_path)
    s = subjects.load(tmp_path, "t1")
    for seed in range(8):
        got = guises.blurred(s, np.random.default_rng(seed))
        assert abs(got.alpha.sum() / s.alpha.sum() - 1) < 0.02
        inside = got.alpha > 0.05
        assert np.abs(got.neutral - s.neutral)[inside].max() < 0.01
        partial = (got.alpha > 0.01) & (got.alpha < 0.99)
        assert partial.sum() > ((s.alpha > 0.01) & (s.alpha < 0.99)).sum()
